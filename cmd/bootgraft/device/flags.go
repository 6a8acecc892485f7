package device

import (
	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
)

// Flags are the flags of every command that writes to a card.
type Flags struct {
	Device                  bool
	Confirm, Receipt, Fixed string
	Earlier                 []string // receipts of writes that are not beside the plan
	Accept                  []disk.Code
	KeepAll                 bool   // the receipt keeps everything that is replaced
	Program                 string // which version of it writes the receipt
}

// Add adds the flags to those of a command.
func (f *Flags) Add(c *cobra.Command) {
	c.Flags().BoolVar(&f.Device, "device", false, "TARGET is a card, not an image file; without --confirm this "+
		"is a rehearsal")
	c.Flags().StringVar(&f.Confirm, "confirm", "", "the word that the rehearsal gave: really write")
	c.Flags().StringVar(&f.Receipt, "receipt", "", "where the receipt is written, or is continued")
	c.Flags().StringVar(&f.Fixed, "fixed", "", "the serial number of a disk that is no card, to write to it all the same")
}

// Check refuses what makes no sense without --device.
func (f *Flags) Check() error {
	if !f.Device && (f.Confirm != "" || f.Receipt != "" || f.Fixed != "") {
		return talk.Usagef("--confirm, --receipt and --fixed go with --device")
	}
	return nil
}

// Keeps is what a receipt may keep of the old content.
var Keeps = input.Choices{Flag: "keep", Words: []string{"tables", "all"}}
