package page

import (
	"fmt"
	"net/url"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/image/nbd"
	"bootgraft/layout/scan/owners"
)

// Machine is the line that starts a virtual machine, a PC, from a disk that is
// shown at an address. Without scratch the machine keeps what it writes to itself.
func Machine(address *url.URL, scratch bool) string {
	drive := "if=ide,format=raw,file=" + address.String()
	if !scratch {
		drive = "snapshot=on," + drive
	}
	return "qemu-system-i386 -m 128 -drive " + words.Shell(drive)
}

// machineSector is the size of the sectors that a PC starts from.
const machineSector = 512

// Shown is what is said of a disk before anybody reads it.
type Shown struct {
	Sectors    disk.Sector
	SectorSize int
	Card       disk.Sector // sectors of the whole card, where its device sees fewer; else 0
	Unknown    disk.Spans  // who asks for one of these gets an error
	Missing    disk.Sector // of a plan: its source does not know them
	Scratch    bool        // it can be written to
}

// Serving says how a disk that is shown can be reached. It is said before the
// answer is, and nobody can begin without it: with --json it is conversation.
func Serving(u *talk.UI, d Shown, address *url.URL) {
	if u.JSON {
		u = u.Aside()
	}
	u.Answerf("The disk is there, until Ctrl-C: %s\n  %s\n", disk.SizeText(d.Sectors, d.SectorSize), address)
	if d.Card > 0 {
		u.Wrapped("", fmt.Sprintf("It is what the device sees of a card of %s: there the disk ends for it.",
			disk.Counted(d.Card, "sector")))
	}
	if d.Scratch {
		u.Wrapped("", "What is written to it stays in memory and is thrown away.")
	} else {
		u.Wrapped("", "Nothing can be written to it.")
	}
	if len(d.Unknown) > 0 {
		u.Wrapped("", fmt.Sprintf("The source does not know %s; who asks for one gets an error. The first: %s.",
			disk.Counted(d.Unknown.Sectors(), "sector"), d.Unknown[0].Text()))
	}
	if d.Missing > 0 {
		u.Wrapped("", sectors(d.Missing, "that the source does not know are zeros here, as they would be on the card."))
	}
	if d.SectorSize != machineSector {
		u.Wrapped("", fmt.Sprintf("A PC starts from sectors of %d bytes, and these have %d: "+
			"other programs can read them, no machine is started from them.", machineSector, d.SectorSize))
		return
	}
	u.Next("To start a machine from it, a PC:", Machine(address, d.Scratch)+"\n")
}

// mostVisits is how many lines of the story a page has.
const mostVisits = 40

// Served tells what was read, in order, by owner.
func Served(u *talk.UI, r nbd.Report, o *owners.Owners) {
	if r.Reads == 0 {
		u.Answerf("Nothing was read.\n")
		return
	}
	story, more := o.Story(r.Runs, mostVisits)
	u.Answerf("Read, in order:\n")
	for i, v := range story {
		if more > 0 && i == len(story)-1 {
			u.Answerf("  ... and %s more; all of them with --trace FILE. The last one:\n", disk.Grouped(more))
		}
		u.Wrapped("  ", VisitText(v))
	}
	if r.More > 0 {
		u.Wrapped("  ", fmt.Sprintf("and %s after that, which were only counted", disk.Counted(r.More, "run")))
	}
	for _, n := range o.Never(r.Runs) {
		u.Wrapped("Never read: ", fmt.Sprintf("%s, %s", n.Name, n.Text()))
	}
	for _, x := range []struct {
		spans disk.Spans
		text  string
	}{
		{r.Left, "of these are not touched by the plan, and read as zeros here; a real card holds there what it held before"},
		{r.Unknown, "were asked for that the source does not know; the answer was an error"},
		{r.Failed, "were asked for, and the source could not be read there; the answer was an error"},
	} {
		if n := x.spans.Sectors(); n > 0 {
			u.Wrapped("", fmt.Sprintf("%s. The first: %s.", sectors(n, x.text), x.spans[0].Text()))
		}
	}
	if r.Writes > 0 {
		u.Answerf("%s, thrown away.\n", disk.Counted(r.Writes, "write"))
	}
	if r.Refused > 0 {
		u.Answerf("%s refused.\n", disk.Counted(r.Refused, "write"))
	}
}

// VisitText is one line of a story.
func VisitText(v owners.Visit) string {
	switch {
	case v.First == v.Last:
		return fmt.Sprintf("sector %s: %s", disk.Grouped(v.First), v.Name)
	case v.Sectors == v.Last-v.First+1:
		return fmt.Sprintf("sectors %s to %s: %s", disk.Grouped(v.First), disk.Grouped(v.Last), v.Name)
	}
	return fmt.Sprintf("%s between %s and %s: %s", disk.Counted(v.Sectors, "sector"), disk.Grouped(v.First),
		disk.Grouped(v.Last), v.Name)
}
