package resize_test

import (
	"fmt"
	"runtime"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
	"bootgraft/layout/volume/fat/resize"
)

// upperHalf makes a sparse FAT32 volume with files in its upper half alone,
// in pieces of fragment clusters if that is not 0.
func upperHalf(t testing.TB, sectors int64, cluster, files, fragment int) image.Source {
	t.Helper()
	d := imagetest.New(disk.Sector(sectors), 512)
	v, err := format.New(d, format.Options{Sectors: sectors, Kind: fat.FAT32, SectorsPerCluster: cluster})
	if err != nil {
		t.Fatal(err)
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	size := int64(cluster) * 512
	for i := range files / 500 {
		must(v.Mkdir(fmt.Sprintf("D%d", i), format.File{}))
	}
	for left, i := int64(v.Parts.Clusters)/2*size, 0; left > 0; i++ {
		n := min(left, 1<<32-size)
		must(v.Add(fmt.Sprintf("LOW%d", i), nil, n, format.File{}))
		left -= n
	}
	each := int64(v.Parts.Clusters)/2/int64(files)*97/100 - 1
	if fragment > 0 {
		each /= 2
	}
	for i := range files {
		must(v.Add(fmt.Sprintf("D%d/TAKE%d.WAV", i/500%max(1, files/500), i), nil, max(1, each*size-7), format.File{Fragment: fragment}))
	}
	for i := range (int64(v.Parts.Clusters)/2*size-1)/(1<<32-size) + 1 {
		must(v.Remove(fmt.Sprintf("LOW%d", i)))
	}
	must(v.Close())
	return d
}

// counter counts the pieces that a card would have.
type counter struct {
	Pieces   int
	Rendered int64
	last     layout.Piece
}

func (c *counter) add(p layout.Piece) {
	if p.Count == 0 {
		return
	}
	more := c.last.Op == p.Op && c.last.Why == p.Why && c.last.Rank == p.Rank && (p.Op != layout.Copy || c.last.From+c.last.Count == p.From)
	if !more {
		c.Pieces++
		c.last = p
		return
	}
	c.last.Count += p.Count
}

func (c *counter) Copy(s disk.Span, from disk.Sector, why layout.Reason, rank layout.Rank) {
	c.add(layout.Piece{Span: s, Op: layout.Copy, From: from, Why: why, Rank: rank})
}
func (c *counter) Zero(s disk.Span, why layout.Reason, rank layout.Rank) {
	c.add(layout.Piece{Span: s, Op: layout.Zero, Why: why, Rank: rank})
}
func (c *counter) Leave(s disk.Span, why layout.Reason, rank layout.Rank) {
	c.add(layout.Piece{Span: s, Op: layout.Leave, Why: why, Rank: rank})
}
func (c *counter) Render(at disk.Sector, data []byte, why layout.Reason, rank layout.Rank) {
	c.Rendered += int64(len(data))
	c.add(layout.Piece{Span: disk.Span{Start: at, Count: 1}, Op: layout.Render, Why: why, Rank: rank})
}
func (c *counter) Again(at disk.Sector, first disk.Span, why layout.Reason, rank layout.Rank) {
	c.add(layout.Piece{Span: disk.Span{Start: at, Count: first.Count}, Op: layout.Render, Why: why, Rank: rank})
}

// BenchmarkPlan plans a FAT32 volume of 128 GB with 100,000 files, all of
// which have to move: the table is read, the volume checked, and every piece
// made. The target is 3 s.
func BenchmarkPlan(b *testing.B) {
	for _, c := range []struct {
		name              string
		cluster, fragment int
	}{{"32KiB", 64, 0}, {"32KiB-in-pieces", 64, 3}, {"4KiB-in-pieces", 8, 30}} {
		b.Run(c.name, func(b *testing.B) {
			src := upperHalf(b, 250_000_000, c.cluster, 100_000, c.fragment)
			b.ResetTimer()
			for range b.N {
				var before, after runtime.MemStats
				runtime.GC()
				runtime.ReadMemStats(&before)
				v, tab := read(b, src)
				r, err := resize.Plan(v, tab, nil, volume.Wishes{Mode: volume.Shrink, Sectors: 130_000_000})
				if err != nil {
					b.Fatal(err)
				}
				n := &counter{}
				if err := r.Emit(n); err != nil {
					b.Fatal(err)
				}
				runtime.ReadMemStats(&after)
				b.ReportMetric(float64(n.Pieces), "pieces")
				b.ReportMetric(float64(n.Rendered)/(1<<20), "MiB-rendered")
				b.ReportMetric(float64(r.MovedClusters)/float64(v.Clusters), "share-moved")
				b.ReportMetric(float64(after.TotalAlloc-before.TotalAlloc)/(1<<20), "MiB-allocated")
			}
		})
	}
}
