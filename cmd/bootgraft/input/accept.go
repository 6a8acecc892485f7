package input

import (
	"fmt"

	"github.com/spf13/pflag"

	"bootgraft/image/disk"
)

// codes are the values of --accept. They gather, as pflag.SliceValue tells.
type codes struct{ list *[]disk.Code }

// AcceptFlag adds --accept to the flags of a command.
func AcceptFlag(fl *pflag.FlagSet, list *[]disk.Code) {
	fl.Var(&codes{list}, "accept", "accept a finding by its code; may be repeated")
}

// Type implements pflag.Value.
func (c *codes) Type() string { return "CODE" }

// String implements pflag.Value.
func (c *codes) String() string {
	if c.list == nil || len(*c.list) == 0 {
		return ""
	}
	return fmt.Sprint(*c.list)
}

// Set implements pflag.Value.
func (c *codes) Set(text string) error { return c.Append(text) }

// Append implements pflag.SliceValue.
func (c *codes) Append(text string) error {
	*c.list = append(*c.list, disk.Code(text))
	return nil
}

// Replace implements pflag.SliceValue.
func (c *codes) Replace(texts []string) error {
	*c.list = nil
	for _, text := range texts {
		*c.list = append(*c.list, disk.Code(text))
	}
	return nil
}

// GetSlice implements pflag.SliceValue.
func (c *codes) GetSlice() (texts []string) {
	for _, code := range *c.list {
		texts = append(texts, string(code))
	}
	return texts
}
