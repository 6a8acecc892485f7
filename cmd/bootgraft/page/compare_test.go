package page

import (
	"bytes"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
)

// sevenReadings is a comparison that leaves seven numbers for a card, one of them by
// two readings that write the same bytes, and bytes without a rule in six places.
func sevenReadings() *Originals {
	at := candidate.Place{From: layout.FromStart, Byte: 64}
	f := compare.Field{Place: at, Class: compare.Size, Width: 4, Bits: 100}
	way := compare.Way{Byte: 64, Encoding: "be32"}
	for i := range int64(7) {
		way.Formulas = append(way.Formulas, compare.Formula{Times: 1, Of: 1, Per: 16 + i})
	}
	last := way
	last.Formulas = way.Formulas[6:]
	last.Encoding = "be24" // the same number, without its first byte, which is zero
	last.Byte = 65
	f.Ways = []compare.Way{way, last}
	c := &compare.Comparison{Rules: compare.Rules{SectorSize: 512, Sizes: []disk.Sector{40_000, 50_000}, Head: 8, Fields: []compare.Field{f}}}
	for i := range 6 {
		c.Carried = append(c.Carried, compare.Stretch{Place: candidate.Place{From: layout.FromStart, Byte: 100 + 10*i}, Count: 2, Class: compare.Identity})
	}
	return &Originals{Comparison: c, Card: 60_000}
}

// TestEveryReadingIsTold: as many readings as are told of are listed, each once; a
// page that cuts a list says how many more there are, and the document has them all.
func TestEveryReadingIsTold(t *testing.T) {
	a := sevenReadings()
	var out bytes.Buffer
	Comparison(&talk.UI{Out: &out}, a)
	text := strings.Join(strings.Fields(out.String()), " ")
	for want, times := range map[string]int{
		"7 readings fit all disks and differ for this size": 1,
		" or floor(": maxReadings, // formulas
		": floor(":   maxReadings, // numbers for this card
		"... and 2 more; all of them with --json":    2,
		"and 2 more places; all of them with --json": 1,
	} {
		if got := strings.Count(text, want); got != times {
			t.Errorf("%q is there %d times, want %d:\n%s", want, got, times, text)
		}
	}
	d := document.NewCompare(a.Comparison, nil, nil, a.Card, "")
	if got := len(d.For.Fields[0].Others); got != 6 {
		t.Errorf("the document has %d other numbers, want 6", got)
	}
}
