package scan

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"runtime"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// counted counts what is read of a sparse disk.
type counted struct {
	*imagetest.Disk
	bytes int64
}

func (c *counted) ReadAt(p []byte, off int64) (int, error) {
	c.bytes += int64(len(p))
	return c.Disk.ReadAt(p, off)
}

// big500 is a drive of 500 GB (C03: 976,773,168 sectors, IDEMA LBA1-02 formula)
// with one volume that ends early, and a tail.
func big500() *counted {
	d := imagetest.New(976773168, 512)
	disks.MBR(d, entry(63, 80000))
	disks.FAT(d, at(63, 80000), 0, 100000)
	disks.Noise(d, at(976773100, 10), 1)
	return &counted{Disk: d}
}

func TestSparse500GBReadsNoHole(t *testing.T) {
	d := big500()
	s := survey(t, d)
	const stored = 2 << 20 // head, tables, tail: more than enough
	if d.bytes > stored {
		t.Errorf("%d bytes read", d.bytes)
	}
	last := s.Regions[len(s.Regions)-1]
	if last.Role != layout.RoleTail || last.Start != 976773100 {
		t.Errorf("last region %+v", last)
	}
	blank := &counted{Disk: imagetest.New(976773168, 512)}
	survey(t, blank)
	if blank.bytes > stored {
		t.Errorf("%d bytes read of a blank disk", blank.bytes)
	}
}

func BenchmarkSurveySparse500GB(b *testing.B) {
	d := big500()
	for b.Loop() {
		if _, err := Run(context.Background(), d, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

// fat32of128GB is a FAT32 volume of 128 GB with 100,000 files.
func fat32of128GB(tb testing.TB) *imagetest.Disk {
	const sectors = 250000000 // 128 * 10^9 bytes
	d := imagetest.New(sectors, 512)
	disks.MBR(d, disks.Entry{Span: at(8192, sectors-8192), Type: 0x0C})
	v, err := format.New(io.NewOffsetWriter(d, 8192*512), format.Options{Sectors: sectors - 8192, Kind: fat.FAT32, Hidden: 8192})
	if err != nil {
		tb.Fatal(err)
	}
	for dir := range 100 {
		if err := v.Mkdir(fmt.Sprintf("DAY%02d", dir), format.File{}); err != nil {
			tb.Fatal(err)
		}
		for i := range 1000 {
			if err := v.Add(fmt.Sprintf("DAY%02d/TAKE%03d.WAV", dir, i), strings.NewReader("take"), 4, format.File{}); err != nil {
				tb.Fatal(err)
			}
		}
	}
	if err := v.Close(); err != nil {
		tb.Fatal(err)
	}
	return d
}

func BenchmarkSurveyFAT32(b *testing.B) {
	d := fat32of128GB(b)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	for b.Loop() {
		s, err := Run(context.Background(), d, Options{})
		if err != nil {
			b.Fatal(err)
		}
		if len(s.Volumes) != 1 || s.Volumes[0].Kind != "fat32" {
			b.Fatalf("volumes %+v", s.Volumes)
		}
	}
	runtime.ReadMemStats(&after)
	b.ReportMetric(float64(after.Sys-before.Sys)/(1<<20), "MiB-more")
}

// Entries that all lie over each other, as many as a table can name, are
// settled in little time and with few words.
func TestThousandsOfOverlappingEntries(t *testing.T) {
	d := imagetest.New(200000, 512)
	const n = 4000
	box := at(100, 199000)
	disks.MBR(d, disks.Entry{Span: box, Type: 0x0F})
	for i := range disk.Sector(n) {
		b := make([]byte, 512)
		b[510], b[511] = 0x55, 0xAA
		b[450], b[466] = 0x06, 0x05
		binary.LittleEndian.PutUint32(b[454:], uint32(n+1))
		binary.LittleEndian.PutUint32(b[458:], uint32(150000+i))
		binary.LittleEndian.PutUint32(b[470:], uint32(i+1))
		binary.LittleEndian.PutUint32(b[474:], 190000)
		if i == n-1 {
			clear(b[462:478])
		}
		d.Put(box.Start+i, b)
	}
	s := survey(t, d)
	if len(s.Entries) != n+1 {
		t.Fatalf("%d entries", len(s.Entries))
	}
	for _, r := range s.Regions {
		if len(r.Evidence) > maxClaimants || len(r.Name) > 1000 {
			t.Fatalf("region %s: %d reasons, a name of %d bytes", r.Span, len(r.Evidence), len(r.Name))
		}
	}
}
