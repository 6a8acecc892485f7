package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
)

type kitMadeJSON struct {
	Schema        int            `json:"schema"`
	Kit           string         `json:"kit"`
	Bytes         int64          `json:"bytes"`
	SHA256        string         `json:"sha256"`
	StoredSectors disk.Sector    `json:"stored_sectors"`
	Manifest      *kit.Manifest  `json:"manifest"`
	TextsFound    int            `json:"texts_found"`
	Texts         []kit.Text     `json:"texts"`
	Findings      []disk.Finding `json:"findings"`
}

// showMade says what went into a new kit.
func (u *ui) showMade(path string, k *madeKit, m *kit.Manifest) error {
	if u.json {
		return u.object(kitMadeJSON{schema, path, k.bytes, k.sha256, m.Stored(), m, k.allTexts, append([]kit.Text{}, k.texts...), append([]disk.Finding{}, k.findings...)})
	}
	u.answerf("%s: %s, %s of the drive in it\nSHA-256 %s\n\n", path, bytesText(k.bytes), counted(m.Stored(), "sector"), k.sha256)
	u.showManifest(m)
	u.showTexts(k.texts, k.allTexts)
	u.showFindings(k.findings)
	if m.Rules == nil && !m.FactsOnly {
		u.answerf("\n%s", kit.WayOut)
	}
	if !m.FactsOnly {
		u.answerf("\nThe code in boot areas may be somebody's work. Ask before you pass it on, and\nkeep to the law of the place where you live.\n")
	}
	u.answerf("\nNext, look at what is in it:\n\n  bootgraft kit show %s\n", shellWord(path))
	return nil
}

// showTexts lists strings in the sectors of a kit, of which there are all.
func (u *ui) showTexts(texts []kit.Text, all int) {
	if all == 0 {
		return
	}
	u.answerf("\nStrings in these sectors, the longest first; look whether any one is private:\n%15s %6s\n", "sector", "byte")
	byLength := slices.Clone(texts)
	slices.SortStableFunc(byLength, func(a, b kit.Text) int { return len(b.Text) - len(a.Text) })
	for i, t := range byLength {
		if i == shownTexts && all > shownTexts+1 {
			u.answerf("%22s ... and %s more; with --json up to %s\n", "", grouped(all-i), grouped(mostTexts))
			return
		}
		u.answerf("%15s %6d %s\n", grouped(t.Sector), t.Offset, printable(t.Text))
	}
}

// incomplete makes the program end as it does when sectors that belong into the
// kit are not known.
func (k *madeKit) incomplete(m *kit.Manifest, counts bool) error {
	n := m.Count(kit.Missing)
	if counts {
		n += m.Count(kit.Unread)
	}
	if n == 0 {
		return nil
	}
	return coded(exitIncomplete, fmt.Errorf("done, but %s of the boot areas could not be had", counted(n, "sector")))
}

func kitShowCommand(u *ui) *cobra.Command {
	return &cobra.Command{
		Use:   "show KIT",
		Short: "prove a kit and say what is in it",
		Long: `Reads a kit, proves every hash in it, and says what it holds: its spans, the
bytes that tell the drive from others, and the strings in its sectors, for you
to see whether any one is private.

  bootgraft kit show device.kit
  bootgraft kit show device.kit --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return u.kitShow(args[0]) },
	}
}

type kitShowJSON struct {
	Schema        int           `json:"schema"`
	Kit           string        `json:"kit"`
	Bytes         int64         `json:"bytes"`
	StoredSectors disk.Sector   `json:"stored_sectors"`
	Manifest      *kit.Manifest `json:"manifest"`
	TextsFound    int           `json:"texts_found"`
	Texts         []kit.Text    `json:"texts"`
}

func (u *ui) kitShow(path string) error {
	f, err := image.Open(path, 512)
	if err != nil {
		return sourceError(path, err)
	}
	defer f.Close()
	k, err := kit.Open(f, f.Size())
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	texts, all, err := kit.Texts(k, k.Spans, mostTexts)
	if err != nil {
		return err
	}
	if u.json {
		return u.object(kitShowJSON{schema, path, f.Size(), k.Stored(), &k.Manifest, all, append([]kit.Text{}, texts...)})
	}
	u.answerf("%s: %s, whole and as it was made\n\n", path, bytesText(f.Size()))
	u.showManifest(&k.Manifest)
	u.showTexts(texts, all)
	switch {
	case k.FactsOnly:
		u.answerf("\nThis kit holds facts alone; no card can be made from it.\n")
		return nil
	case k.Manifest.Rules == nil:
		u.answerf("\n%s", kit.WayOut)
	}
	u.answerf("\nNext:\n\n  bootgraft survey %s\n  bootgraft plan %s --size Ns%s -o card.plan\n", shellWord(path), shellWord(path), emptyFlags(&k.Manifest))
	return nil
}

// emptyFlags returns the flags that make every FAT volume empty, as a kit holds
// no files, but for those that are asked for already.
func emptyFlags(m *kit.Manifest, asked ...int) string {
	var b strings.Builder
	for _, v := range m.Facts.Volumes {
		if strings.HasPrefix(v.Kind, "fat") && !slices.Contains(asked, v.Index) {
			fmt.Fprintf(&b, " --empty-volume %d", v.Index)
		}
	}
	return b.String()
}

// showManifest says what a kit holds.
func (u *ui) showManifest(m *kit.Manifest) {
	u.answerf("Drive:  %s\n", diskText(m.Sectors, m.SectorSize))
	if m.Drive != "" {
		u.answerf("Model:  %s\n", printable(m.Drive))
	}
	for _, n := range m.Notes {
		u.wrapped("Note:   ", printable(n))
	}
	table := "table of kind " + printable(m.Facts.Table)
	if m.Facts.Table == "none" || m.Facts.Table == "" {
		table = "no table in force"
	}
	u.answerf("Found:  %s; entries: %d, volumes: %d\n", table, len(m.Facts.Entries), len(m.Facts.Volumes))
	if m.Rules != nil {
		u.answerf("Rules:  %s, for cards of another size\n", bytesText(m.Rules.Bytes))
	}
	u.answerf("\n%15s %15s  %-9s %s\n", "first sector", "sectors", "is", "what")
	for i, s := range m.Spans {
		if i == maxRegionRows && len(m.Spans) > maxRegionRows+1 {
			u.answerf("%33s... and %s more; all of them with --json\n", "", grouped(len(m.Spans)-i))
			break
		}
		u.wrapped(fmt.Sprintf("%15s %15s  %-9s ", grouped(s.Start), grouped(s.Count), spanWord(s)), kitSpanText(s))
	}
	u.answerf("Everything else of the drive is not in the kit.\n")
	u.showMarks("Kept, and different on every drive:", m.Identity)
	u.showMarks("Different on every drive, and counted as zeros in the hashes:", m.Masked)
	u.showMarks("Overwritten, because it named something:", m.Blanked)
}

func spanWord(s kit.Span) string {
	if s.State == kit.Blank {
		return fmt.Sprintf("all %02X", s.Fill)
	}
	return string(s.State)
}

func kitSpanText(s kit.Span) string {
	text := printable(s.What)
	if s.From == layout.FromEnd {
		text += "; counted from the end"
	}
	return text
}

func (u *ui) showMarks(title string, marks []kit.Mark) {
	if len(marks) == 0 {
		return
	}
	u.answerf("\n%s\n", title)
	for i, m := range marks {
		if i == shownTexts/2 && len(marks) > i+1 {
			u.answerf("  ... and %s more; all of them with --json\n", grouped(len(marks)-i))
			return
		}
		u.wrapped("  ", fmt.Sprintf("sector %s, bytes %d to %d: %s", grouped(m.Sector), m.Offset, m.Offset+m.Count-1, printable(m.What)))
	}
}
