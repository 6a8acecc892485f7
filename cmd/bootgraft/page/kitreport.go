package page

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/image/disk"
	"bootgraft/layout/kit"
	"bootgraft/layout/plan/starts"
)

// KitAnswer is what is in a kit, for a page to print. start is whether a card that is made
// of it alone starts; nil if there is none, and refused then says why.
func KitAnswer(m *kit.Manifest, texts []kit.Text, all int, start *starts.Report, refused []disk.Finding) Answer {
	a := Answer{Verdict: "The kit is whole and as it was made.", First: kitParts(m, texts, all)}
	const heading = "Will a card start that is made of this kit alone?"
	switch {
	case start != nil:
		p := startsPart(start)
		p.Heading = heading
		p.Blocks = append(p.Blocks, report.Text(emptyCard))
		a.First = append(a.First, p)
	case len(refused) > 0:
		a.First = append(a.First, report.Part{Heading: heading, Blocks: []report.Block{report.Text(noCard(refused))}})
	}
	if m.Rules == nil && !m.FactsOnly {
		a.First = append(a.First, report.Part{Heading: "For a card of another size",
			Blocks: wayOut()})
	}
	a.First = append(a.First, cautionsPart())
	return a
}

// wayOut is what to do where a kit holds no rules, but for its heading.
func wayOut() []report.Block {
	_, text, _ := strings.Cut(kit.WayOut, "\n\n")
	why, steps, _ := strings.Cut(text, "\n\n")
	return []report.Block{report.Text(strings.Join(strings.Fields(why), " ")),
		report.Typed(strings.TrimRight(steps, "\n"))}
}

func kitParts(m *kit.Manifest, texts []kit.Text, all int) (out []report.Part) {
	facts := report.Table{Head: []string{"of the drive", ""}, Narrow: true, Rows: [][]string{
		{"size", disk.SizeText(m.Sectors, m.SectorSize)}, {"found", foundText(m)},
		{"in the kit", disk.Counted(m.Stored(), "sector")},
	}}
	if m.Drive != "" {
		facts.Rows = append(facts.Rows, []string{"model", m.Drive})
	}
	for _, n := range m.Notes {
		facts.Rows = append(facts.Rows, []string{"note", n})
	}
	if len(m.OtherUnit) > 0 {
		facts.Rows = append(facts.Rows, []string{"mind", fromOtherUnit(m)})
	}
	if m.Rules != nil {
		facts.Rows = append(facts.Rows, []string{"rules", disk.BytesText(m.Rules.Bytes) + ", for cards of another size"})
	}
	out = append(out, report.Part{Heading: "The drive", Blocks: []report.Block{facts}},
		report.Part{Heading: "What is in the kit", Blocks: []report.Block{
			rows([]string{"first sector", "sectors", "is", "what"}, []bool{true, true}, len(m.Spans), func(i int) []string {
				s := m.Spans[i]
				return []string{disk.Grouped(s.Start), disk.Grouped(s.Count), spanWord(s), kitSpanText(s)}
			}), report.Text("Everything else of the drive is not in the kit.")}})
	for _, x := range []struct {
		heading string
		marks   []kit.Mark
	}{
		{"Kept, and different on every drive", m.Identity}, {"Different on every drive, and counted as zeros in the hashes",
			m.Masked},
		{"Overwritten, because it named something", m.Blanked},
	} {
		if len(x.marks) > 0 {
			out = append(out, report.Part{Heading: x.heading, Blocks: []report.Block{
				rows([]string{"sector", "bytes", "what"}, []bool{true}, len(x.marks), func(i int) []string {
					k := x.marks[i]
					return []string{disk.Grouped(k.Sector), fmt.Sprintf("%d to %d", k.Offset, k.Offset+k.Count-1), k.What}
				})}})
		}
	}
	if len(texts) > 0 {
		out = append(out, report.Part{Heading: fmt.Sprintf("Strings in these sectors: %s", disk.Grouped(all)), Private: true,
			Blocks: []report.Block{
				rows([]string{"sector", "byte", "string"}, []bool{true, true}, len(texts), func(i int) []string {
					t := texts[i]
					return []string{disk.Grouped(t.Sector), fmt.Sprint(t.Offset), t.Text}
				})}})
	}
	return out
}
