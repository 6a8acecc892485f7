package safety

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
)

// A plan with every provenance, through the real planned card: a table made
// new, data, missing sectors, a part not touched, the tail at the new end.
func TestWriteAndVerifyPlannedCard(t *testing.T) {
	const sectors = 20_000
	original := patterned(4, 8000)
	src := image.NewKnown(imagetest.NewBytes(original, sector), disk.NewSpans(disk.Span{Start: 300, Count: 7}), nil)
	table := patterned(5, 1)
	at := func(s disk.Span) []byte { return original[s.Start*sector : s.End()*sector] }

	b := plan.NewBuilder(plan.Size{Sectors: sectors, SectorSize: sector},
		plan.Source{Size: plan.Size{Sectors: 8000, SectorSize: sector}, Digest: strings.Repeat("0", 64)})
	b.Render(0, table, layout.WhyTable, layout.RankSector0)
	b.Copy(disk.Span{Start: 1, Count: 299}, 1, layout.WhyUnchanged, layout.RankData)
	b.Zero(disk.Span{Start: 300, Count: 7}, layout.WhyMissing, layout.RankData)
	b.Copy(disk.Span{Start: 307, Count: 7593}, 307, layout.WhyUnchanged, layout.RankData)
	b.Leave(disk.Span{Start: 7900, Count: 2000}, layout.WhyExcess, layout.RankData)
	b.Zero(disk.Between(9900, sectors-100), layout.WhyExcess, layout.RankData)
	b.Copy(disk.Span{Start: sectors - 100, Count: 100}, 7900, layout.WhyTailMoved, layout.RankData)
	p, err := b.Plan()
	do(t, err)
	c, err := card.New(p, src)
	do(t, err)

	want := make([]byte, sectors*sector)
	copy(want, table)
	copy(want[1*sector:], at(disk.Span{Start: 1, Count: 299}))
	copy(want[307*sector:], at(disk.Span{Start: 307, Count: 7593}))
	copy(want[(sectors-100)*sector:], at(disk.Span{Start: 7900, Count: 100}))

	path := filepath.Join(t.TempDir(), "card.img")
	res, err := WriteImage(context.Background(), path, c, p.Pieces, Options{Hash: true})
	do(t, err)
	holds(t, path, want)
	hashed := sum(append(bytes.Clone(want[:7900*sector]), want[9900*sector:]...))
	if res.SHA256 != hashed || res.Left != 2000 || res.Missing != 7 || res.Written != sectors-2000 {
		t.Errorf("%+v, want SHA-256 %s", res, hashed)
	}

	want[7950*sector] = 0x77 // not touched, so anything may be there
	want[304*sector+9] = 0x88
	put(t, path, want)
	diff, err := Verify(context.Background(), c, p.Pieces, open(t, path), VerifyOptions{Limit: 5})
	do(t, err)
	if diff.Unequal != 1 || len(diff.Differences) != 1 || diff.Differences[0].Sector != 304 || diff.Differences[0].Why != layout.WhyMissing {
		t.Errorf("%+v", diff)
	}
}
