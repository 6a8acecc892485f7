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
		a.First = append(a.First, report.NewPart(heading, report.Text(noCard(refused))))
	}
	if m.Rules == nil && !m.FactsOnly {
		a.First = append(a.First, report.NewPart("For a card of another size", wayOut()...))
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

func kitParts(m *kit.Manifest, texts []kit.Text, all int) []report.Part {
	facts := report.Facts([]string{"size", disk.SizeText(m.Sectors, m.SectorSize)}, []string{"found", foundText(m)},
		[]string{"in the kit", disk.Counted(m.Stored(), "sector")})
	facts.Columns[0].Name, facts.Columns[1].Name = "of the drive", ""
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
	out := []report.Part{report.NewPart("The drive", facts),
		report.NewPart("What is in the kit", kitTable(m), report.Text(notInKit))}
	for _, x := range marked(m) {
		if len(x.marks) > 0 {
			out = append(out, report.NewPart(x.heading, report.TableOf("sector> | bytes | what", len(x.marks),
				func(i int) []string {
					k := x.marks[i]
					return []string{disk.Grouped(k.Sector), fmt.Sprintf("%d to %d", k.Offset, k.Offset+k.Count-1), k.What}
				})))
		}
	}
	if len(texts) > 0 {
		out = append(out, report.Private(fmt.Sprintf("Strings in these sectors: %s", disk.Grouped(all)),
			report.TableOf("sector> | byte> | string", len(texts), func(i int) []string {
				t := texts[i]
				return []string{disk.Grouped(t.Sector), fmt.Sprint(t.Offset), t.Text}
			})))
	}
	return out
}
