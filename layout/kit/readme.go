package kit

import (
	"fmt"
	"strings"

	"bootgraft/layout"
)

// maxListed is how many spans the README names; the manifest names all. By hand, no
// source.
const maxListed = 200

// readme returns the plain text that explains a kit to somebody who has nothing
// but the file.
func (m *Manifest) readme() string {
	var b strings.Builder
	files := "No file of the drive is in it."
	if m.holdsFiles() {
		files = "Of its files it holds those that boot code names by their sectors, and no other."
	}
	fmt.Fprintf(&b,
		"BOOT AREAS OF A DRIVE\n\nThis ZIP file holds the boot areas of one drive of %d sectors of %d bytes:\nwhat "+
			"lies outside its files and decides whether a device starts from it.\n%s\n",
		m.Sectors, m.SectorSize, files)
	if m.FactsOnly {
		b.WriteString(
			"\nThis one holds facts alone: where things lie, how large they are, the SHA-256\nof each span, " +
				"and rules if there are any. None of the drive's own bytes is in\nit, " +
				"so no card can be made from it alone.\n")
	}
	if m.Drive != "" {
		b.WriteString("\nDrive: " + oneLine(m.Drive) + "\n")
	}
	for _, n := range m.Notes {
		b.WriteString("Note:  " + oneLine(n) + "\n")
	}
	if len(m.OtherUnit) > 0 {
		b.WriteString("\nCame from another unit of the model: " + m.OtherUnit.Text() + "\n")
	}
	m.listSpans(&b)
	m.listMarks(&b)
	b.WriteString(howTo)
	if m.Rules == nil {
		b.WriteString("\n" + WayOut)
	} else {
		b.WriteString("\nRULES\n\nrules.json says how fields of the boot areas follow the size of a card. A plan\nfor a " +
			"card of another size needs it.\n")
	}
	b.WriteString(cautions)
	if !m.LayoutKnown {
		b.WriteString(noPromise)
	}
	return b.String()
}

// oneLine keeps a note from looking like another part of the README.
func oneLine(s string) string {
	const most = 1000
	s = strings.Join(strings.Fields(s), " ")
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "..."
	}
	return s
}

func (m *Manifest) listSpans(b *strings.Builder) {
	fmt.Fprintf(b, "\nWHAT IS IN IT\n\n%14s %12s  %-9s %s\n", "first sector", "sectors", "is", "what")
	for i, s := range m.Spans {
		if i == maxListed {
			fmt.Fprintf(b, "... and %d more; manifest.json names all\n", len(m.Spans)-i)
			break
		}
		what := oneLine(s.What)
		switch s.From {
		case layout.FromEnd:
			what += fmt.Sprintf("; counted from the end: end-%d", m.Sectors-s.Start)
		case layout.InsideVolume:
			what += "; inside a volume"
		}
		state := string(s.State)
		if s.State == Blank {
			state = fmt.Sprintf("all %02X", s.Fill)
		}
		fmt.Fprintf(b, "%14d %12d  %-9s %s\n", s.Start, s.Count, state, what)
	}
}

func (m *Manifest) listMarks(b *strings.Builder) {
	for _, l := range []struct {
		marks []Mark
		text  string
	}{
		{m.Identity, "These bytes tell this drive from every other, and are kept, because a device\nmay be bound to them:"},
		{m.Masked, "These bytes tell this drive from every other, and count as zeros in the hashes:"},
		{m.Blanked, "These bytes named something, and were overwritten:"},
	} {
		if len(l.marks) == 0 {
			continue
		}
		fmt.Fprintf(b, "\n%s\n", l.text)
		for i, k := range l.marks {
			if i == maxListed/4 {
				fmt.Fprintf(b, "  ... and %d more; manifest.json names all\n", len(l.marks)-i)
				break
			}
			fmt.Fprintf(b, "  sector %d, bytes %d to %d: %s\n", k.Sector, k.Offset, k.Offset+k.Count-1, oneLine(k.What))
		}
	}
}

const howTo = `
HOW TO USE IT

With bootgraft, a kit stands wherever the image of a drive may stand:

  bootgraft survey KIT
  bootgraft plan KIT --size Ns --empty-volume 1 -o card.plan
  bootgraft write card.plan card.img

Without it: every file sectors/START+COUNT.bin lies at sector START of the
drive. Any tool that reads ZIP files takes them out. dd writes them into an
image file:

  dd if=START+COUNT.bin of=card.img bs=SECTORSIZE seek=START conv=notrunc
`

// WayOut says what to do where nobody knows how the boot areas follow the size
// of a card.
const WayOut = `THERE ARE NO RULES FOR ANOTHER SIZE IN THIS KIT

If the device hides the size of its drive in a place that nobody knows, a card
of another size may not start. The usual way out:

  1. Write the card as it is: all bytes unchanged, the old size in them.
  2. Let the device format the card. Only the card, never the original drive.
  3. Read the card back into an image, and compare it with what was written:
     what the device changed shows where it keeps the size.
`

const cautions = `
BEFORE YOU USE IT

- Never write to the original drive, whatever becomes of the card. Put it away.
- Cancel if a computer offers to initialise, format or repair a drive or card.
- Check twice which drive you write to. All that it holds will be lost.
- A card made from this is a try: keep a note of what was written and what the
  device did with it.

WHOSE IS IT

The code in boot areas may be somebody's work, and whoever made the device may
hold rights in it. Ask before you pass this file on, keep to
the law of the place where you live, and use it for a device that is yours, or
with its owner's word.
`

const noPromise = `
PRIVACY

Nobody knows the layout of this drive. Its sectors may hold names, texts or
parts of recordings of whoever used it. Nothing was looked for but plain
strings, and nothing is promised.
`
