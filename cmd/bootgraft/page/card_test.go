package page

import (
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety/held"
)

// A card is told where its partitions lie on the boundaries of flash, and from
// where these boundaries are known.
func TestAlignmentIsSaid(t *testing.T) {
	s := &layout.Map{}
	s.Entries = []layout.Entry{
		{Index: 1, Span: disk.Span{Start: 63, Count: 39_000_000}},
		{Index: 3, Span: disk.Span{Start: 4768 * 8192, Count: 8192}},
	}
	text := strings.Join(alignmentLines(held.AlignmentOf(plan.Size{Sectors: 40_000_000, SectorSize: 512}, 0, s), 512), "\n")
	for _, say := range []string{"multiples of 8,192 sectors (4 MiB)", "from memory", "63 sectors past a boundary, not even on whole 4 KiB", "on a boundary"} {
		if !strings.Contains(text, say) {
			t.Errorf("%q is not said:\n%s", say, text)
		}
	}
}

// A size as it is sold never stands without its warning.
func TestNominalSizeWarns(t *testing.T) {
	for _, n := range []disk.Sector{31_116_288, 1 << 33} {
		lines := nominalLines(plan.NominalOf(plan.Size{Sectors: n, SectorSize: 512}))
		if last := lines[len(lines)-1]; last != "a nominal size is never a real card: plan with the number of sectors" {
			t.Errorf("%q", lines)
		}
	}
}
