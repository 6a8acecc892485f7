package fit

import (
	"fmt"
	"runtime"
	"runtime/metrics"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// highWater looks again and again at how much memory the program has, until it
// is told to stop; the answer is the most that it saw above the beginning.
func highWater() (stop func() (mib float64)) {
	read := func() uint64 {
		s := []metrics.Sample{{Name: "/memory/classes/total:bytes"}, {Name: "/memory/classes/heap/released:bytes"}}
		metrics.Read(s)
		return s[0].Value.Uint64() - s[1].Value.Uint64()
	}
	begun := read()
	most := begun
	end, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for tick := time.NewTicker(time.Millisecond); ; {
			most = max(most, read())
			select {
			case <-end:
				tick.Stop()
				return
			case <-tick.C:
			}
		}
	}()
	return func() float64 {
		close(end)
		<-done
		return float64(most-begun) / (1 << 20)
	}
}

// BenchmarkSurveyAndPlan surveys a disk with one large FAT32 volume and plans it
// onto a smaller card. The figures to look at: the memory must stay below 64 MiB,
// 32 bytes a piece and 4 bytes a cluster.
func BenchmarkSurveyAndPlan(b *testing.B) {
	for _, c := range []struct {
		name            string
		sectors, target disk.Sector
		files           int
	}{
		{"128GB-100000-files-half-moved", 250_000_000, 130_000_000, 100_000},
		{"2.2TB-empty", 4_294_967_295, 1_953_525_168, 0},
	} {
		b.Run(c.name, func(b *testing.B) {
			src := recorded(b, c.sectors, c.files)
			b.ResetTimer()
			for range b.N {
				runtime.GC()
				stop := highWater()
				s, err := scan.Run(b.Context(), src, scan.Options{})
				if err != nil {
					b.Fatal(err)
				}
				p, err := Plan(b.Context(), src, s, Wishes{Target: plan.Size{Sectors: c.target, SectorSize: 512},
					Volumes: Volumes{Wish: map[int]volume.Wishes{0: {Mode: volume.Shrink}}}})
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(stop(), "MiB")
				clusters := float64(fatOf(b, src, s, 0).Clusters)
				b.ReportMetric(64+(32*float64(len(p.Pieces))+4*clusters)/(1<<20), "MiB-allowed")
				b.ReportMetric(float64(len(p.Pieces)), "pieces")
				b.ReportMetric(float64(p.RenderedSectors())/2048, "MiB-rendered")
			}
		})
	}
}

// recorded makes a disk that is one FAT32 volume with clusters of 32 KiB, and
// files that are spread over all of it, every second one of them near its end.
func recorded(b *testing.B, sectors disk.Sector, files int) image.Source {
	b.Helper()
	d := imagetest.New(sectors, 512)
	v, err := format.New(d, format.Options{Sectors: int64(sectors), Kind: fat.FAT32, SectorsPerCluster: 64})
	must := func(err error) {
		b.Helper()
		if err != nil {
			b.Fatal(err)
		}
	}
	must(err)
	const size = 64 * 512
	each := int64(v.Parts.Clusters) * 45 / 100 / max(1, int64(files)) * size
	lay := func(half, n int) {
		for i := range n {
			dir := fmt.Sprintf("D%d-%d", half, i/500)
			if i%500 == 0 {
				must(v.Mkdir(dir, format.File{}))
			}
			must(v.Add(fmt.Sprintf("%s/TAKE%d.WAV", dir, i), nil, each-7, format.File{Fragment: 3 * (i % 2)}))
		}
	}
	if files > 0 {
		lay(0, files/2)
		for left, i := int64(v.Parts.Clusters)*30/100*size, 0; left > 0; i++ {
			n := min(left, 1<<32-size)
			must(v.Add(fmt.Sprintf("GAP%d", i), nil, n, format.File{}))
			left -= n
		}
		lay(1, files/2)
		for i := range (int64(v.Parts.Clusters)*30/100*size-1)/(1<<32-size) + 1 {
			must(v.Remove(fmt.Sprintf("GAP%d", i)))
		}
	}
	must(v.Close())
	return d
}

// BenchmarkProof plans a smaller card, to which half of the clusters move, and
// tells the share of the last step, which surveys the planned card again.
func BenchmarkProof(b *testing.B) {
	d := recorded(b, 250_000_000, 100_000)
	w := size(130_000_000)
	b.ResetTimer()
	for range b.N {
		start := time.Now()
		s := survey(b, d)
		g := &given{ctx: b.Context(), src: d, s: s, open: opens(b, d, s), w: w, linked: &linked{}}
		a, err := g.attempt()
		if err != nil || !a.fits() {
			b.Fatal(err, a.refused.Error())
		}
		made, err := a.drawn.emit(a.findings)
		if err != nil {
			b.Fatal(err)
		}
		planned := time.Now()
		out, err := a.drawn.prove(made)
		if a.weigh(g, out); err != nil || a.isRefused() {
			b.Fatal(err, a.refused.Error())
		}
		b.ReportMetric(time.Since(planned).Seconds()/time.Since(start).Seconds(), "share-of-proof")
	}
}
