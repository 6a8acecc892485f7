package page

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/kit/gather"
	"bootgraft/layout/plan/starts"
)

// Texts lists strings in the sectors of a kit, of which there are all.
func Texts(u *talk.UI, texts []kit.Text, all int) {
	if all == 0 {
		return
	}
	u.Answerf("\n%s%15s %6s\n", words.Fold("", "Strings in these sectors, the longest first; look whether any one is "+
		"private:"),
		"sector", "byte")
	byLength := slices.Clone(texts)
	slices.SortStableFunc(byLength, func(a, b kit.Text) int { return len(b.Text) - len(a.Text) })
	for i, t := range byLength {
		if i == shownTexts && all > shownTexts+1 {
			u.Answerf("%22s ... and %s more; with --json up to %s\n", "", disk.Grouped(all-i), disk.Grouped(MostTexts))
			return
		}
		u.Answerf("%15s %6d %s\n", disk.Grouped(t.Sector), t.Offset, words.Printable(t.Text))
	}
}

// Manifest says what a kit holds.
func Manifest(u *talk.UI, m *kit.Manifest) {
	u.Answerf("Drive:  %s\n", disk.SizeText(m.Sectors, m.SectorSize))
	if m.Drive != "" {
		u.Answerf("Model:  %s\n", words.Printable(m.Drive))
	}
	for _, n := range m.Notes {
		u.Wrapped("Note:   ", words.Printable(n))
	}
	u.Answerf("Found:  %s\n", foundText(m))
	if m.Rules != nil {
		u.Answerf("Rules:  %s\n", rulesText(m))
	}
	u.Answerf("\n%s%s\n", kitTable(m).Screen(), notInKit)
	if len(m.OtherUnit) > 0 {
		u.Answerf("\n")
		u.Wrapped("", fromOtherUnit(m))
	}
	for _, x := range marked(m) {
		showMarks(u, x.heading, x.marks)
	}
}

// notInKit stands below what is in a kit.
const notInKit = "Everything else of the drive is not in the kit."

// kitTable lists what is in a kit.
func kitTable(m *kit.Manifest) report.Table {
	return report.TableOf("first sector>15 | sectors>15 | is<9 | what", len(m.Spans), func(i int) []string {
		s := m.Spans[i]
		return []string{disk.Grouped(s.Start), disk.Grouped(s.Count), spanWord(s), kitSpanText(s)}
	})
}

// markedBytes are marks of one kind.
type markedBytes struct {
	heading string
	marks   []kit.Mark
}

// marked are the bytes of a kit that differ from drive to drive, by what became of them.
func marked(m *kit.Manifest) []markedBytes {
	return []markedBytes{{"Kept, and different on every drive", m.Identity},
		{"Different on every drive, and counted as zeros in the hashes", m.Masked},
		{"Overwritten, because it named something", m.Blanked}}
}

// rulesText says how large the rules are that a kit holds.
func rulesText(m *kit.Manifest) string {
	return disk.BytesText(m.Rules.Bytes) + ", for cards of another size"
}

// fromOtherUnit says which sectors of a kit the drive itself did not give.
func fromOtherUnit(m *kit.Manifest) string {
	return "Came from another unit of the model: " + m.OtherUnit.Text()
}

// foundText says what table and volumes the drive of a kit has.
func foundText(m *kit.Manifest) string {
	table := "no table in force"
	if m.Facts.Table != "none" && m.Facts.Table != "" {
		table = "table of kind " + words.Printable(m.Facts.Table) + "; entries: " + disk.Grouped(len(m.Facts.Entries))
	}
	if len(m.Facts.Volumes) == 0 {
		return table + ", and no volume that is known here"
	}
	return table + "; volumes: " + disk.Grouped(len(m.Facts.Volumes))
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
	u.Answerf("\n%s:\n", title)
	list := textsOf(marks, func(m *kit.Mark) string {
		return fmt.Sprintf("sector %s, bytes %d to %d: %s", disk.Grouped(m.Sector), m.Offset, m.Offset+m.Count-1,
			words.Printable(m.What))
	})
	for _, line := range someOf(list, shownTexts/2, "... "+restInJSON) {
		u.Wrapped("  ", line)
	}
}

// mostTexts is how many strings are kept for --json; a person sees shownTexts.
const (
	MostTexts  = 10000
	shownTexts = 40
)

// KitMade says what went into a new kit, and how many sectors of the boot areas should
// be in it and could not be had.
func KitMade(u *talk.UI, path string, k *gather.Made, w *gather.Written, lost disk.Sector) {
	m := w.Manifest
	u.Answerf("%s: %s, %s of the drive in it\nSHA-256 %x\n\n", path, disk.BytesText(w.Bytes),
		disk.Counted(m.Stored(), "sector"), w.SHA256)
	Manifest(u, m)
	Texts(u, k.Texts, k.AllTexts)
	if lost > 0 {
		u.Answerf("\n%s", words.Fold("", fmt.Sprintf("%s of the boot areas could not be had: a card made with this kit "+
			"lacks them. Another unit of the model, or another kit, may have them.", disk.Counted(lost, "sector"))))
	}
	if lost == 0 || len(k.Findings) > 0 {
		Findings(u, k.Findings)
	}
	if m.Rules == nil && !m.FactsOnly {
		WayOut(u)
	}
	if !m.FactsOnly {
		u.Answerf("\n%s", words.Fold("", "The code in boot areas may be somebody's work. Ask before you pass it on, and "+
			"keep to the law of the place where you live."))
	}
	u.Next("Next, look at what is in it:", "bootgraft kit show "+words.Shell(path))
}

// TooLarge says what takes the room in a kit that would have so many bytes.
func TooLarge(bytes int64, spans []kit.Span) string {
	total := map[string]disk.Sector{}
	var names []string
	for _, s := range spans {
		if s.State == kit.Stored {
			if total[s.What] == 0 {
				names = append(names, s.What)
			}
			total[s.What] += s.Count
		}
	}
	slices.SortStableFunc(names, func(a, b string) int { return cmp.Compare(total[b], total[a]) })
	var b strings.Builder
	fmt.Fprintf(&b, "the kit would have %s, and a kit has at most %s. In use in the boot areas:\n", disk.BytesText(bytes),
		disk.BytesText(kit.MaxBytes))
	for _, name := range names[:min(len(names), 12)] {
		fmt.Fprintf(&b, "  %s: %s\n", name, disk.Counted(total[name], "sector"))
	}
	b.WriteString("Take some of it out with --blank SPAN, or less of each area with --head and --tail.")
	return b.String()
}

// EmptyFlags returns the flags that make every FAT volume empty, as a kit holds
// no files, but for those that are asked for already.
func EmptyFlags(m *kit.Manifest, asked ...int) string {
	var b strings.Builder
	for _, v := range m.Facts.Volumes {
		if strings.HasPrefix(v.Kind, "fat") && !slices.Contains(asked, v.Index) {
			fmt.Fprintf(&b, " --empty-volume %d", v.Index)
		}
	}
	return b.String()
}

// KitBrief is the first screen about a kit.
func KitBrief(path string, m *kit.Manifest, texts int, next func(u *talk.UI)) *Brief {
	b := &Brief{
		Verdict: []string{words.Printable(path) + " is whole and as it was made."},
		Next:    next,
	}
	b.Facts.Add("drive", disk.SizeText(m.Sectors, m.SectorSize))
	b.Facts.Add("found", foundText(m))
	b.Facts.Add("in it", disk.Counted(m.Stored(), "sector")+" of the drive")
	b.Facts.Add("strings", disk.Grouped(texts)+"; look whether any one is private")
	if m.Rules == nil && !m.FactsOnly {
		b.Facts.Add("rules", "none for a card of another size; the way out is on the whole page")
	}
	b.Facts.Add("model", m.Drive)
	return b
}

// KitAnswer is what is in a kit, for a page to print. start is whether a card that is made
// of it alone starts; nil if there is none, and refused then says why.
func KitAnswer(m *kit.Manifest, texts []kit.Text, all int, start *starts.Report, refused []disk.Finding) Answer {
	a := Answer{Verdict: "The kit is whole and as it was made.", First: kitParts(m, texts, all)}
	switch {
	case start != nil:
		p := startsPart(start)
		p.Heading = kitStarts
		p.Blocks = append(p.Blocks, report.Text(emptyCard))
		a.First = append(a.First, p)
	case len(refused) > 0:
		a.First = append(a.First, report.NewPart(kitStarts, report.Text(noCard(refused))))
	}
	if m.Rules == nil && !m.FactsOnly {
		_, why, steps := wayOut()
		a.First = append(a.First, report.NewPart("For a card of another size", why, steps))
	}
	a.First = append(a.First, cautionsPart())
	return a
}

// wayOut is what to do where a kit holds no rules: its heading, why, and the steps.
func wayOut() (heading string, why report.Text, steps report.Typed) {
	heading, text, _ := strings.Cut(kit.WayOut, "\n\n")
	before, after, _ := strings.Cut(text, "\n\n")
	return heading, report.Text(strings.Join(strings.Fields(before), " ")), report.Typed(strings.TrimRight(after, "\n"))
}

// WayOut shows it.
func WayOut(u *talk.UI) {
	heading, why, steps := wayOut()
	u.Answerf("\n%s\n\n%s\n%s\n", heading, words.Fold("", string(why)), steps)
}

func kitParts(m *kit.Manifest, texts []kit.Text, all int) []report.Part {
	var facts report.Facts
	facts.Add("size", disk.SizeText(m.Sectors, m.SectorSize))
	facts.Add("found", foundText(m))
	facts.Add("in the kit", disk.Counted(m.Stored(), "sector"))
	if m.Drive != "" {
		facts.Add("model", m.Drive)
	}
	for _, n := range m.Notes {
		facts.Add("note", n)
	}
	if len(m.OtherUnit) > 0 {
		facts.Add("mind", fromOtherUnit(m))
	}
	if m.Rules != nil {
		facts.Add("rules", rulesText(m))
	}
	t := report.Named(facts)
	t.Columns[0].Name, t.Columns[1].Name = "of the drive", ""
	out := []report.Part{report.NewPart("The drive", t),
		report.NewPart("What is in the kit", kitTable(m), report.Text(notInKit))}
	for _, x := range marked(m) {
		out = append(out, report.NewPart(x.heading, report.TableOf("sector> | bytes | what", len(x.marks),
			func(i int) []string {
				k := x.marks[i]
				return []string{disk.Grouped(k.Sector), fmt.Sprintf("%d to %d", k.Offset, k.Offset+k.Count-1), k.What}
			})))
	}
	return append(out, report.Private(fmt.Sprintf("Strings in these sectors: %s", disk.Grouped(all)),
		report.TableOf("sector> | byte> | string", len(texts), func(i int) []string {
			t := texts[i]
			return []string{disk.Grouped(t.Sector), fmt.Sprint(t.Offset), t.Text}
		})))
}
