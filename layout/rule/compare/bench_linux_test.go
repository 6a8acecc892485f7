package compare

import (
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"math/rand/v2"
	"runtime"
	"runtime/debug"
	"slices"
	"syscall"
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
// image files: what it takes beside them is reported, and processor time, also as a
// ratio to SHA-256 over the same bytes.
//
// Where the tails move, the disks are no whole cylinders, and what lies at their end
// is looked for before each end that the device may count.
func BenchmarkWholeAreas(b *testing.B) {
	b.Run("tails-stay", func(b *testing.B) {
		wholeAreas(b, []disk.Sector{600_000, 601_008, 677_777, 723_456, 1_600_000}, family.Random(7))
	})
	b.Run("tails-move", func(b *testing.B) {
		sizes := []disk.Sector{25_430_895, 3_935_925, 33_077_835, 39_070_080, 8_434_125}
		wholeAreas(b, sizes, cutFamily{})
	})
}

// device is what a benchmark wants of an invented model.
type device interface {
	Disk(n disk.Sector, u family.Unit) *imagetest.Disk
}

// cutFamily is a device that cuts the size of its disk to cylinders and keeps a copy
// of its header in the last sector of the last one.
type cutFamily struct{}

func (cutFamily) Disk(n disk.Sector, _ family.Unit) *imagetest.Disk {
	d := imagetest.New(n, 512)
	s := n / 1008 * 1008
	headOf(d, 64, slices.Concat(be32(s), be32(s/32), []byte("MADE FOR THIS")))
	b, err := image.ReadSectors(d, disk.Span{Count: 1})
	if err != nil {
		panic(err) // it is in memory
	}
	d.Put(s-1, b)
	return d
}

func wholeAreas(b *testing.B, sizes []disk.Sector, f device) {
	const area = Area / 512
	var dumps []Dump
	for i, n := range sizes {
		d := f.Disk(n, family.Unit{Serial: uint64(i), Clock: uint64(i), Songs: uint64(i)})
		fill(d, rand.New(rand.NewPCG(uint64(i), 1)), disk.Span{Start: 64, Count: area - 64})
		fill(d, rand.New(rand.NewPCG(uint64(i), 2)), disk.Span{Start: n - area, Count: area - 1008 - 64})
		src, err := image.Open(imagetest.Save(b, d), 512)
		if err != nil {
			b.Fatal(err)
		}
		defer src.Close()
		dumps = append(dumps, Dump{Name: fmt.Sprint(i), Source: src})
		runtime.GC()
		debug.FreeOSMemory()
	}
	plain := hashed(b, dumps)
	peak := watchMemory()
	begun := processor(b)
	for b.Loop() {
		c, err := Run(context.Background(), dumps, Options{})
		if err != nil {
			b.Fatal(err)
		}
		if c.For(sizes[0]+500_000).Proved == 0 {
			b.Fatalf("%s", c.For(sizes[0]+500_000))
		}
	}
	each := (processor(b) - begun).Seconds() / float64(b.N)
	b.SetBytes(int64(len(dumps)) * 2 * Area)
	b.ReportMetric(each, "cpu-s/op")
	b.ReportMetric(each/plain.Seconds(), "times-sha256")
	b.ReportMetric(float64(peak())/(1<<20), "MiB-in-use")
}

// hashed returns the processor time of SHA-256 over both areas of every disk.
func hashed(b *testing.B, dumps []Dump) time.Duration {
	begun := processor(b)
	for _, d := range dumps {
		for _, at := range []int64{0, d.Source.Size() - Area} {
			if _, err := io.Copy(sha256.New(), io.NewSectionReader(d.Source, at, Area)); err != nil {
				b.Fatal(err)
			}
		}
	}
	return processor(b) - begun
}

// processor returns the processor time of this process.
func processor(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
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
