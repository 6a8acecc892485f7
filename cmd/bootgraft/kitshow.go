package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
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
func showMade(u *talk.UI, path string, k *madeKit, m *kit.Manifest) error {
	if u.JSON {
		return u.Object(document.KindKitMake, kitMadeJSON{schema, path, k.bytes, k.sha256, m.Stored(), m, k.allTexts, append([]kit.Text{}, k.texts...), append([]disk.Finding{}, k.findings...)})
	}
	u.Answerf("%s: %s, %s of the drive in it\nSHA-256 %s\n\n", path, disk.BytesText(k.bytes), disk.Counted(m.Stored(), "sector"), k.sha256)
	showManifest(u, m)
	showTexts(u, k.texts, k.allTexts)
	showFindings(u, k.findings)
	if m.Rules == nil && !m.FactsOnly {
		u.Answerf("\n%s", kit.WayOut)
	}
	if !m.FactsOnly {
		u.Answerf("\nThe code in boot areas may be somebody's work. Ask before you pass it on, and\nkeep to the law of the place where you live.\n")
	}
	u.Answerf("\nNext, look at what is in it:\n\n  bootgraft kit show %s\n", words.Shell(path))
	return nil
}

// showTexts lists strings in the sectors of a kit, of which there are all.
func showTexts(u *talk.UI, texts []kit.Text, all int) {
	if all == 0 {
		return
	}
	u.Answerf("\nStrings in these sectors, the longest first; look whether any one is private:\n%15s %6s\n", "sector", "byte")
	byLength := slices.Clone(texts)
	slices.SortStableFunc(byLength, func(a, b kit.Text) int { return len(b.Text) - len(a.Text) })
	for i, t := range byLength {
		if i == shownTexts && all > shownTexts+1 {
			u.Answerf("%22s ... and %s more; with --json up to %s\n", "", disk.Grouped(all-i), disk.Grouped(mostTexts))
			return
		}
		u.Answerf("%15s %6d %s\n", disk.Grouped(t.Sector), t.Offset, words.Printable(t.Text))
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
	return talk.Coded(talk.ExitIncomplete, fmt.Errorf("done, but %s of the boot areas could not be had", disk.Counted(n, "sector")))
}

func kitShowCommand(u *talk.UI) *cobra.Command {
	return &cobra.Command{
		Use:   "show KIT",
		Short: "prove a kit and say what is in it",
		Long: `Reads a kit, proves every hash in it, and says what it holds: its spans, the
bytes that tell the drive from others, and the strings in its sectors, for you
to see whether any one is private.

  bootgraft kit show device.kit
  bootgraft kit show device.kit --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return kitShow(u, args[0]) },
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

func kitShow(u *talk.UI, path string) error {
	f, err := image.Open(path, 512)
	if err != nil {
		return input.SourceError(path, err)
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
	if u.JSON {
		return u.Object(document.KindKitShow, kitShowJSON{schema, path, f.Size(), k.Stored(), &k.Manifest, all, append([]kit.Text{}, texts...)})
	}
	u.Answerf("%s: %s, whole and as it was made\n\n", path, disk.BytesText(f.Size()))
	showManifest(u, &k.Manifest)
	showTexts(u, texts, all)
	switch {
	case k.FactsOnly:
		u.Answerf("\nThis kit holds facts alone; no card can be made from it.\n")
		return nil
	case k.Manifest.Rules == nil:
		u.Answerf("\n%s", kit.WayOut)
	}
	u.Answerf("\nNext:\n\n  bootgraft survey %s\n  bootgraft plan %s --size Ns%s -o card.plan\n", words.Shell(path), words.Shell(path), emptyFlags(&k.Manifest))
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
func showManifest(u *talk.UI, m *kit.Manifest) {
	u.Answerf("Drive:  %s\n", disk.SizeText(m.Sectors, m.SectorSize))
	if m.Drive != "" {
		u.Answerf("Model:  %s\n", words.Printable(m.Drive))
	}
	for _, n := range m.Notes {
		u.Wrapped("Note:   ", words.Printable(n))
	}
	table := "table of kind " + words.Printable(m.Facts.Table)
	if m.Facts.Table == "none" || m.Facts.Table == "" {
		table = "no table in force"
	}
	u.Answerf("Found:  %s; entries: %d, volumes: %d\n", table, len(m.Facts.Entries), len(m.Facts.Volumes))
	if m.Rules != nil {
		u.Answerf("Rules:  %s, for cards of another size\n", disk.BytesText(m.Rules.Bytes))
	}
	u.Answerf("\n%15s %15s  %-9s %s\n", "first sector", "sectors", "is", "what")
	for i, s := range m.Spans {
		if i == maxRegionRows && len(m.Spans) > maxRegionRows+1 {
			u.Answerf("%33s... and %s more; all of them with --json\n", "", disk.Grouped(len(m.Spans)-i))
			break
		}
		u.Wrapped(fmt.Sprintf("%15s %15s  %-9s ", disk.Grouped(s.Start), disk.Grouped(s.Count), spanWord(s)), kitSpanText(s))
	}
	u.Answerf("Everything else of the drive is not in the kit.\n")
	showMarks(u, "Kept, and different on every drive:", m.Identity)
	showMarks(u, "Different on every drive, and counted as zeros in the hashes:", m.Masked)
	showMarks(u, "Overwritten, because it named something:", m.Blanked)
}

func spanWord(s kit.Span) string {
	if s.State == kit.Blank {
		return fmt.Sprintf("all %02X", s.Fill)
	}
	return string(s.State)
}

func kitSpanText(s kit.Span) string {
	text := words.Printable(s.What)
	if s.From == layout.FromEnd {
		text += "; counted from the end"
	}
	return text
}

func showMarks(u *talk.UI, title string, marks []kit.Mark) {
	if len(marks) == 0 {
		return
	}
	u.Answerf("\n%s\n", title)
	for i, m := range marks {
		if i == shownTexts/2 && len(marks) > i+1 {
			u.Answerf("  ... and %s more; all of them with --json\n", disk.Grouped(len(marks)-i))
			return
		}
		u.Wrapped("  ", fmt.Sprintf("sector %s, bytes %d to %d: %s", disk.Grouped(m.Sector), m.Offset, m.Offset+m.Count-1, words.Printable(m.What)))
	}
}
