package compare

import (
	"context"
	"fmt"
	"math/rand/v2"
	"runtime"
	"runtime/debug"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/rule/compare/family"
)

// BenchmarkWholeAreas compares heads and tails of 64 MiB of five disks with
// eight of their sectors in ten full of songs, every ninth a table of which few
// bytes differ, and the boot area of an invented device in front. The disks are
// image files: what it takes beside them is reported.
func BenchmarkWholeAreas(b *testing.B) {
	const n = 600_000
	f := family.Random(7)
	var dumps []Dump
	for i, extra := range []disk.Sector{0, 1008, 77_777, 123_456, 1_000_000} {
		d := f.Disk(n+extra, family.Unit{Serial: uint64(i), Clock: uint64(i), Songs: uint64(i)})
		fill(d, rand.New(rand.NewPCG(uint64(i), 1)), disk.Span{Start: 64, Count: 131072 - 64})
		fill(d, rand.New(rand.NewPCG(uint64(i), 2)), disk.Span{Start: n + extra - 131072, Count: 131072 - 64})
		src, err := image.Open(imagetest.Save(b, d), 512)
		if err != nil {
			b.Fatal(err)
		}
		defer src.Close()
		dumps = append(dumps, Dump{Name: fmt.Sprint(i), Source: src})
		runtime.GC()
		debug.FreeOSMemory()
	}
	peak := watchMemory()
	for b.Loop() {
		c, err := Run(context.Background(), dumps, Options{})
		if err != nil {
			b.Fatal(err)
		}
		if c.For(n+500_000).Proved < len(f.Numbers) {
			b.Fatalf("%s: %s", f, c.For(n+500_000))
		}
	}
	b.SetBytes(5 * 2 * Area)
	b.ReportMetric(float64(peak())/(1<<20), "MiB-in-use")
}

// watchMemory looks at the memory of the process, less what was given back,
// until the function that it returns is called for the most.
func watchMemory() func() uint64 {
	stop, most := make(chan bool), make(chan uint64)
	go func() {
		var peak uint64
		for {
			select {
			case <-stop:
				most <- peak
				return
			case <-time.After(20 * time.Millisecond):
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				peak = max(peak, m.Sys-m.HeapReleased)
			}
		}
	}()
	return func() uint64 { close(stop); return <-most }
}

// fill puts songs, tables and nothing into sectors of a disk.
func fill(d *imagetest.Disk, r *rand.Rand, span disk.Span) {
	sector := make([]byte, 512)
	for x := span.Start; x < span.End(); x++ {
		clear(sector)
		switch x % 10 {
		default:
			for i := range sector {
				sector[i] = byte(r.Uint32())
			}
		case 8:
			for i := 64; i < 96; i++ {
				sector[i] = byte(r.Uint32())
			}
		case 9:
		}
		d.Put(x, sector)
	}
}
