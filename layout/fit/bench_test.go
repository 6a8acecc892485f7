package fit

import (
	"fmt"
	"runtime"
	"testing"
	"time"

	"bootgraft/image/imagetest"
	"bootgraft/layout/fat"
	"bootgraft/layout/fat/format"
)

// farFiles is a FAT32 disk of 128 GB without a table whose 100,000 files lie
// in its upper half.
func farFiles(b *testing.B) *imagetest.Disk {
	b.Helper()
	const sectors, cluster, files = 250_000_000, 64, 100_000
	d := imagetest.New(sectors, 512)
	v, err := format.New(d, format.Options{Sectors: sectors, Kind: fat.FAT32, SectorsPerCluster: cluster})
	must := func(err error) {
		if err != nil {
			b.Fatal(err)
		}
	}
	must(err)
	const size = int64(cluster) * 512
	for i := range files / 500 {
		must(v.Mkdir(fmt.Sprintf("D%d", i), format.File{}))
	}
	low := 0
	for left := v.Clusters / 2 * size; left > 0; low++ {
		n := min(left, 1<<32-size)
		must(v.Add(fmt.Sprintf("LOW%d", low), nil, n, format.File{}))
		left -= n
	}
	each := v.Clusters/2/int64(files)*97/100 - 1
	for i := range files {
		must(v.Add(fmt.Sprintf("D%d/TAKE%d.WAV", i/500, i), nil, each*size-7, format.File{}))
	}
	for i := range low {
		must(v.Remove(fmt.Sprintf("LOW%d", i)))
	}
	must(v.Close())
	return d
}

// BenchmarkSurveyAndPlan plans a smaller card, to which half of the clusters
// move. The share is that of the last step, which surveys the card again.
func BenchmarkSurveyAndPlan(b *testing.B) {
	d := farFiles(b)
	w := size(130_000_000)
	b.ResetTimer()
	for range b.N {
		var before, after runtime.MemStats
		runtime.GC()
		runtime.ReadMemStats(&before)
		start := time.Now()
		s := survey(b, d)
		p := newPlanner(b.Context(), d, s, w)
		p.looked = &looked{tables: map[int]*fat.Table{}}
		if err := p.work(); err != nil || p.isRefused() {
			b.Fatal(err, p.refused.Error())
		}
		made, err := p.emit()
		if err != nil {
			b.Fatal(err)
		}
		planned := time.Now()
		if err := p.prove(made); err != nil || p.isRefused() {
			b.Fatal(err, p.refused.Error())
		}
		runtime.ReadMemStats(&after)
		b.ReportMetric(time.Since(planned).Seconds()/time.Since(start).Seconds(), "share-of-proof")
		b.ReportMetric(float64(after.TotalAlloc-before.TotalAlloc)/(1<<20), "MiB-allocated")
		b.ReportMetric(float64(len(made.Pieces)), "pieces")
	}
}
