package plan

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

func TestCheckRefuses(t *testing.T) {
	const copied, left, zero, again = 1, 2, 3, 4 // pieces of small
	cases := []struct {
		name   string
		change func(p *Plan)
		part   string
		index  int
		why    string
	}{
		{"gap", func(p *Plan) { p.Pieces[left].Start++; p.Pieces[left].Count-- }, "pieces", left, "nobody owns the 1 sector before it"},
		{"overlap", func(p *Plan) { p.Pieces[copied].Count++ }, "pieces", left, "the part before it owns its first 1 sector too"},
		{"end", func(p *Plan) { p.Pieces = p.Pieces[:again] }, "pieces", again, "nobody owns the last 1 sector"},
		{"past the end", func(p *Plan) { p.Pieces[again].Count++ }, "pieces", again, "not inside the disk"},
		{"empty piece", func(p *Plan) { p.Pieces[zero].Count = 0 }, "pieces", zero, "holds no sector"},
		{"overflow", func(p *Plan) { p.Pieces[again].Count = math.MaxInt64 }, "pieces", again, "not inside the disk"},
		{"no pieces", func(p *Plan) { p.Pieces, p.Rendered = nil, nil }, "pieces", 0, "nobody owns the last 8,192 sectors"},
		{"no op", func(p *Plan) { p.Pieces[zero].Op = 0 }, "pieces", zero, "no provenance number 0"},
		{"op 9", func(p *Plan) { p.Pieces[zero].Op = 9 }, "pieces", zero, "no provenance number 9"},
		{"no reason", func(p *Plan) { p.Pieces[zero].Why = 0 }, "pieces", zero, "no reason number 0"},
		{"rank", func(p *Plan) { p.Pieces[zero].Rank = layout.RankSector0 + 1 }, "pieces", zero, "no rank"},
		{"rank of sector 0", func(p *Plan) { p.Pieces[zero].Rank = layout.RankSector0 }, "pieces", zero, "only the piece at sector 0"},
		{"zero from", func(p *Plan) { p.Pieces[zero].From = 1 }, "pieces", zero, "from is 1"},
		{"copy from past the end", func(p *Plan) { p.Pieces[copied].From = 3001 }, "pieces", copied, "outside the source"},
		{"copy from before", func(p *Plan) { p.Pieces[copied].From = -1 }, "pieces", copied, "outside the source"},
		{"copy overflow", func(p *Plan) { p.Pieces[copied].From = math.MaxInt64 - 5 }, "pieces", copied, "outside the source"},
		{"render past the pool", func(p *Plan) { p.Pieces[again].From = 2 }, "pieces", again, "rendered sector 2 of 2"},
		{"pool out of order", func(p *Plan) { p.Pieces[0].From = 1; p.Rendered = bytes.NewReader(make([]byte, 1536)) }, "pieces", 0, "no piece before it takes sector 0"},
		{"pool not used", func(p *Plan) { p.Rendered = bytes.NewReader(make([]byte, 1536)) }, "rendered", -1, "no piece takes sector 2 of 3"},
		{"pool not whole", func(p *Plan) { p.Rendered = bytes.NewReader(make([]byte, 1025)) }, "rendered", -1, "not whole sectors"},
		{"no pool", func(p *Plan) { p.Rendered = nil }, "pieces", 0, "rendered sectors 0 to 1 of 0"},
		{"leave at the start", func(p *Plan) { p.Pieces[left].Start = 2047; p.Pieces[left].Count += 955; p.Pieces[copied].Count -= 955 }, "pieces", left, "first and last 1 MiB"},
		{"leave at the end", func(p *Plan) { p.Pieces[left].Count = 3143; p.Pieces[zero].Start = 6145; p.Pieces[zero].Count = 2046 }, "pieces", left, "first and last 1 MiB"},
		{"target size 0", func(p *Plan) { p.Target.Sectors = 0 }, "target", -1, "no size of a disk"},
		{"target overflow", func(p *Plan) { p.Target.Sectors = math.MaxInt64/512 + 1 }, "target", -1, "no size of a disk"},
		{"sector size", func(p *Plan) { p.Target.SectorSize, p.Source.SectorSize = 768, 768 }, "target", -1, "768"},
		{"sector sizes", func(p *Plan) { p.Source.SectorSize = 4096 }, "target", -1, "change its meaning"},
		{"source size", func(p *Plan) { p.Source.Sectors = -1 }, "source", -1, "no size of a disk"},
		{"digest in capitals", func(p *Plan) { p.Source.Digest = strings.ToUpper(p.Source.Digest) }, "source", -1, "lower-case hex"},
		{"path", func(p *Plan) { p.Source.Path = "\xff" }, "source", -1, "not UTF-8"},
		{"long path", func(p *Plan) { p.Source.Path = strings.Repeat("x", maxText+1) }, "source", -1, "longer"},
		{"meaning outside", func(p *Plan) { p.Source.Meaning[1].Count = 5938 }, "source", -1, "not inside the source"},
		{"meaning touches", func(p *Plan) { p.Source.Meaning[1].Start = 1 }, "source", -1, "with a gap between"},
		{"dropped outside", func(p *Plan) { p.Dropped[0].Count++ }, "dropped", 0, "not inside the source"},
		{"dropped role", func(p *Plan) { p.Dropped[0].Role = "" }, "dropped", 0, "no role"},
		{"dropped text", func(p *Plan) { p.Dropped[0].Why = "\xc0\x80" }, "dropped", 0, "not UTF-8"},
		{"finding code", func(p *Plan) { p.Findings[1].Code = "" }, "findings", 1, "no code"},
		{"finding severity", func(p *Plan) { p.Findings[1].Severity = "error" }, "findings", 1, "no severity"},
		{"finding sector", func(p *Plan) { p.Findings[0].Sector = -2 }, "findings", 0, "sector -2"},
		{"finding text", func(p *Plan) { p.Findings[0].Text = strings.Repeat("x", maxText+1) }, "findings", 0, "longer"},
	}
	for _, c := range cases {
		p := small(t)
		c.change(p)
		var proof *ProofError
		err := p.Check()
		if !errors.As(err, &proof) || proof.Part != c.part || proof.Index != c.index || !strings.Contains(proof.Why, c.why) {
			t.Errorf("%s: %v; want %s[%d] ... %s", c.name, err, c.part, c.index, c.why)
		}
		if err := Encode(&bytes.Buffer{}, p); err == nil {
			t.Errorf("%s: written all the same", c.name)
		}
	}
}

// Leave may begin right after the first 1 MiB and end right before the last.
func TestLeaveBetweenTheEdges(t *testing.T) {
	for _, size := range []int{512, 4096} {
		edge := disk.Sector(Edge / size)
		b := NewBuilder(Size{2*edge + 1, size}, Source{Size: Size{1, size}, Digest: someDigest})
		b.Zero(disk.Span{Count: edge}, layout.WhyEmptied, layout.RankData)
		b.Leave(disk.Span{Start: edge, Count: 1}, layout.WhyEmptied, layout.RankData)
		b.Zero(disk.Span{Start: edge + 1, Count: edge}, layout.WhyEmptied, layout.RankData)
		if _, err := b.Plan(); err != nil {
			t.Errorf("sectors of %d: %v", size, err)
		}
	}
}
