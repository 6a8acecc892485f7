package page

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/ata"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/held"
)

// Look is what was seen of a card, or of an image file that stands for one.
type Look struct {
	Path     string
	File     bool           // an image file
	Readable bool           // it could be held
	Facts    blockdev.Facts // of an image file only the sectors

	Held  *held.Card  // nil if nothing was read
	Again disk.Sector // the start is found again so many sectors later
	Fault error       // why its content could not be read to the end
	Says  ata.Drive   // what the drive says of itself, if it was asked

	Bridge []disk.Finding // what the reader does not show as it is
}

// InUse says who uses the card.
func (l *Look) InUse() []string {
	verbs := map[blockdev.How]string{
		blockdev.Mounted: "mounted on ", blockdev.Swapped: "used for swap, as ", blockdev.Layered: "part of ",
		blockdev.Looped: "used by the loop device ", blockdev.Member: "one of the devices of ",
		blockdev.WriterOf: "open for writing in ",
	}
	out := []string{}
	if len(l.Facts.System) > 0 {
		out = append(out, "SYSTEM: the running system stands on it: "+systemText(l.Facts.System))
	}
	for _, use := range l.Facts.Uses {
		text := verbs[use.How] + use.What
		if use.Device != "" && use.Device != l.Facts.Node {
			text = use.Device + " is " + text
		}
		out = append(out, text)
	}
	return out
}

// maxUses is how many uses are named for a person.
const maxUses = 6

// holds says what is on the card; of one that cannot be held why it is not read, and what
// to do.
func (l *Look) holds() []string {
	switch {
	case l.Held != nil:
		return l.Held.Lines
	case l.Readable:
		return nil
	case slices.ContainsFunc(l.Facts.Uses, func(u blockdev.Use) bool { return u.How == blockdev.Mounted }):
		return []string{"not read while it is mounted; unmount it to see (umount FOLDER)"}
	}
	return []string{"not read while somebody else holds it: " + l.Facts.Held.Error()}
}

// Hints are what the look found that should make a person think.
func (l *Look) Hints() []string {
	out := []string{}
	for _, f := range append(l.Says.Findings(l.Facts.Sectors, l.Facts.SectorSize), l.Bridge...) {
		if f.Code == disk.BridgeRepeats && l.Again > 0 {
			continue // said already, and better
		}
		out = append(out, f.Text)
	}
	if l.Again > 0 {
		out = append(out, fmt.Sprintf(
			"the start of the card is found once more %s sectors later (%s). "+
				"A card that is smaller than it says shows this, and a card that somebody put a copy on. "+
				"Only --write-test quick tells which it is",
			disk.Grouped(l.Again), disk.BytesText(int64(l.Again)*int64(l.Facts.SectorSize))))
	}
	if id := l.Facts.Identity; !l.File && !id.Removable && id.Bus != "usb" && id.Bus != "mmc" && id.Bus != "loop" {
		out = append(out, "it is neither removable nor a memory card: is it the right disk?")
	}
	return out
}

// Card says what a card is and what it holds.
func Card(u *talk.UI, l *Look) {
	u.Answerf("%s\n", l.title())
	u.Rows("size", disk.SizeText(l.Facts.Sectors, l.Facts.SectorSize))
	u.Rows("sold as", nominalLines(plan.NominalOf(l.Disk()))...)
	if !l.File {
		showDevice(u, l)
	}
	u.Rows("in use", someOf(l.InUse(), maxUses, "... "+restInJSON)...)
	u.Rows("holds now", l.holds()...)
	u.Rows("alignment", alignmentLines(l.Alignment(), l.Facts.SectorSize)...)
	u.Rows("look out", l.Hints()...)
	Said(u, l.Says, l.Facts.Identity)
	l.next(u)
}

// next is what to type when it is known what a card is.
func (l *Look) next(u *talk.UI) {
	NextPlan(u, l.Facts.Sectors, l.Facts.SectorSize)
	if WritesCards && l.Fault == nil && !l.File && l.Facts.Held == nil {
		u.Next("Is it as large as it says? Only a test that writes can tell; without the word it writes nothing:",
			words.AsRoot(fmt.Sprintf("bootgraft card %s --write-test quick --device", words.Shell(l.Path))))
	}
}

func (l *Look) title() string {
	name := l.Path
	if l.Facts.Node != "" && l.Facts.Node != l.Path {
		name += " (" + l.Facts.Node + ")"
	}
	if l.File {
		return name + ": an image file"
	}
	if id := l.Facts.Identity; id.Model != "" || id.Serial != "" {
		return name + ": " + nameText(id)
	}
	return name + ": " + saysNothing
}

// showDevice says what only a device has.
func showDevice(u *talk.UI, l *Look) {
	f := l.Facts
	how := []string{attachedText(f.Identity.Bus)}
	if f.Speed != "" {
		how = append(how, f.Speed+" Mbit/s")
	}
	if f.Identity.Removable {
		how = append(how, "removable")
	} else {
		how = append(how, "not removable")
	}
	u.Rows("attached", strings.Join(how, ", "))
	if f.Partition {
		u.Rows("part", "a partition of "+f.Whole+"; a card is a whole disk")
	}
	if f.Physical > 0 && f.Physical != f.SectorSize {
		u.Rows("inside", fmt.Sprintf("physical sectors of %d bytes", f.Physical))
	}
	if f.Erase > 0 {
		u.Rows("erases", "in units of "+binaryText(f.Erase))
	}
	if f.CID != "" {
		u.Rows("CID", f.CID)
	}
	if f.ReadOnly {
		u.Rows("writing", "READ-ONLY: the lock of the card, or a card at the end of its life")
	}
}

// Alignment says how what lies on the card lies on the boundaries of flash.
func (l *Look) Alignment() held.Alignment {
	if l.Held == nil {
		return held.AlignmentOf(l.Disk(), l.Facts.Erase, nil)
	}
	return held.AlignmentOf(l.Disk(), l.Facts.Erase, l.Held.Survey)
}

// Disk is the card as a plan sees it.
func (l *Look) Disk() plan.Size {
	return plan.Size{Sectors: l.Facts.Sectors, SectorSize: l.Facts.SectorSize}
}

// alignmentLines say how a card lies on the boundaries of flash.
func alignmentLines(a held.Alignment, sectorSize int) []string {
	out := []string{
		fmt.Sprintf("partitions and data begin best on multiples of %s sectors (%s)",
			disk.Grouped(a.Boundary/int64(sectorSize)), binaryText(a.Boundary)),
		"(from memory: the table for SD cards is not public; CompactFlash: 1 MiB, common practice)",
	}
	for _, p := range a.Places {
		text := fmt.Sprintf("%s, sector %s: ", p.What, disk.Grouped(p.Sector))
		switch {
		case p.Aligned:
			text += "on a boundary"
		case p.Page:
			text += fmt.Sprintf("%s past a boundary, but on whole 4 KiB", disk.Counted(p.Past, "sector"))
		default:
			text += fmt.Sprintf("%s past a boundary, not even on whole 4 KiB: slow, and it wears the card",
				disk.Counted(p.Past, "sector"))
		}
		out = append(out, text)
	}
	return out
}

// binaryText writes a number of bytes that is a multiple of 1 KiB.
func binaryText(n int64) string {
	if n%(1<<20) == 0 {
		return fmt.Sprintf("%d MiB", n>>20)
	}
	return fmt.Sprintf("%d KiB", n>>10)
}

// nominalLines say what a card is sold as.
func nominalLines(n plan.Nominal) []string {
	text := "no size that cards or drives are usually sold in is near"
	if n.Bytes > 0 {
		text = "near " + n.Name()
		switch {
		case n.Percent < 0:
			text += fmt.Sprintf(", %.2f %% less", -n.Percent)
		case n.Percent > 0:
			text += fmt.Sprintf(", %.2f %% more", n.Percent)
		}
	}
	if n.SDClass != "" {
		text += "; an SD card of this size is " + n.SDClass
	}
	out := []string{text}
	if n.Published != "" {
		out = append(out, "to the sector "+n.Published)
	}
	return append(out, "a nominal size is never a real card: plan with the number of sectors")
}

// CardBrief is the first screen about a card.
func CardBrief(l *Look) *Brief {
	b := &Brief{Verdict: []string{l.title()}, Next: l.next}
	b.Facts.Add("size", disk.SizeText(l.Facts.Sectors, l.Facts.SectorSize))
	b.Facts.Add("sold as", nominalLines(plan.NominalOf(l.Disk()))[0])
	b.Facts.Add("in use", someOf(l.InUse(), 2, "... and %s more lines")...)
	b.Facts.Add("holds now", someOf(l.holds(), 4, "... and %s more lines")...)
	b.Facts.Add("look out", someOf(l.Hints(), 2, "... and %s more lines")...)
	return b
}
