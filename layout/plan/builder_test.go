package plan

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

func source(n disk.Sector) Source { return Source{Size: Size{n, 512}, Digest: someDigest} }

func TestNeighboursBecomeOnePiece(t *testing.T) {
	b := NewBuilder(Size{100, 512}, source(100))
	one := func(at disk.Sector) disk.Span { return disk.Span{Start: at, Count: 1} }
	b.Render(0, make([]byte, 512), layout.WhyTable, layout.RankFirst)
	b.Render(1, make([]byte, 1024), layout.WhyTable, layout.RankFirst)
	b.Render(3, make([]byte, 512), layout.WhyTable, layout.RankData) // another rank
	b.Copy(one(4), 4, layout.WhyUnchanged, layout.RankData)
	b.Copy(disk.Span{Start: 5}, 90, layout.WhyUnchanged, layout.RankData) // no sector
	b.Copy(one(5), 5, layout.WhyUnchanged, layout.RankData)
	b.Copy(one(6), 7, layout.WhyUnchanged, layout.RankData)   // from elsewhere
	b.Copy(one(7), 8, layout.WhyVolumeMoved, layout.RankData) // another reason
	b.Zero(one(8), layout.WhyExcess, layout.RankData)
	b.Zero(disk.Span{Start: 9, Count: 91}, layout.WhyExcess, layout.RankData)
	p, err := b.Plan()
	if err != nil {
		t.Fatal(err)
	}
	want := []layout.Piece{
		{Span: disk.Span{Start: 0, Count: 3}, Op: layout.Render, Why: layout.WhyTable, Rank: layout.RankFirst},
		{Span: disk.Span{Start: 3, Count: 1}, Op: layout.Render, From: 3, Why: layout.WhyTable},
		{Span: disk.Span{Start: 4, Count: 2}, Op: layout.Copy, From: 4, Why: layout.WhyUnchanged},
		{Span: disk.Span{Start: 6, Count: 1}, Op: layout.Copy, From: 7, Why: layout.WhyUnchanged},
		{Span: disk.Span{Start: 7, Count: 1}, Op: layout.Copy, From: 8, Why: layout.WhyVolumeMoved},
		{Span: disk.Span{Start: 8, Count: 92}, Op: layout.Zero, Why: layout.WhyExcess},
	}
	if !slices.Equal(p.Pieces, want) {
		t.Errorf("pieces\n%v\nwant\n%v", p.Pieces, want)
	}
	for i, q := range p.Pieces {
		for _, x := range []disk.Sector{q.Start, q.Last()} {
			if got := p.Lookup(x); got != &p.Pieces[i] {
				t.Errorf("sector %d is in %v, want piece %d", x, got, i)
			}
		}
	}
	for _, x := range []disk.Sector{-1, 100, 1 << 62} {
		if got := p.Lookup(x); got != nil {
			t.Errorf("sector %d is in %v", x, got)
		}
	}
	if got := p.Reasons(); !slices.Equal(got, []layout.Reason{layout.WhyUnchanged, layout.WhyTable, layout.WhyExcess, layout.WhyVolumeMoved}) {
		t.Errorf("reasons %v", got)
	}
}

func TestAgainSharesBytes(t *testing.T) {
	b := NewBuilder(Size{30, 512}, source(100))
	data := bytes.Repeat([]byte{1, 2, 3, 4}, 128*4)
	b.Render(0, data[:512], layout.WhyTable, layout.RankFirst)
	b.Render(1, data, layout.WhyVolume, layout.RankFirst)
	b.Zero(disk.Span{Start: 5, Count: 15}, layout.WhyExcess, layout.RankData)
	b.Again(20, disk.Span{Start: 0, Count: 3}, layout.WhyTableCopy, layout.RankCopy) // over two pieces
	b.Again(23, disk.Span{Start: 21, Count: 2}, layout.WhyVolume, layout.RankCopy)   // of a copy
	b.Again(25, disk.Span{Start: 0, Count: 5}, layout.WhyVolume, layout.RankCopy)
	p, err := b.Plan()
	if err != nil {
		t.Fatal(err)
	}
	if n := p.RenderedSectors(); n != 5 {
		t.Errorf("%d rendered sectors, want 5", n)
	}
	for at, want := range map[disk.Sector]disk.Sector{20: 0, 22: 2, 23: 1, 24: 2, 25: 0, 29: 4} {
		if q := p.Lookup(at); q.Op != layout.Render || q.From+at-q.Start != want {
			t.Errorf("sector %d takes %v, want rendered sector %d", at, q, want)
		}
	}
}

func TestBuilderKeepsTheFirstMistake(t *testing.T) {
	whole := disk.Span{Count: 10}
	cases := map[string]func(b *Builder){
		"does not continue the card at sector 0": func(b *Builder) {
			b.Zero(disk.Span{Start: 1, Count: 9}, layout.WhyExcess, 0)
			b.Zero(whole, layout.WhyExcess, 0)
		},
		"is not rendered": func(b *Builder) {
			b.Zero(disk.Span{Count: 5}, layout.WhyExcess, 0)
			b.Again(5, disk.Span{Count: 5}, layout.WhyTable, 0)
		},
		"sector 9, wanted again at sector 5": func(b *Builder) {
			b.Zero(disk.Span{Count: 5}, layout.WhyExcess, 0)
			b.Again(5, disk.Span{Start: 9, Count: 1}, layout.WhyTable, 0)
		},
		"not whole sectors": func(b *Builder) {
			b.Render(0, make([]byte, 10), layout.WhyTable, 0)
			b.Zero(whole, layout.WhyExcess, 0)
		},
		"nobody owns the last 1 sector": func(b *Builder) { b.Zero(disk.Span{Count: 9}, layout.WhyExcess, 0) },
		"no rank 9":                     func(b *Builder) { b.Zero(whole, layout.WhyExcess, 9) },
	}
	for want, build := range cases {
		b := NewBuilder(Size{10, 512}, source(10))
		build(b)
		if p, err := b.Plan(); err == nil || !strings.Contains(err.Error(), want) || p != nil {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}
