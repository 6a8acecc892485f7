package donor

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume/fat"
)

// drive is an invented unit: a start-up program before the volume, calibration behind
// it, and a serial number of its own in the table (disk id).
func drive(sectors disk.Sector, id uint64) *imagetest.Disk {
	d := imagetest.New(sectors, 512)
	disks.Noise(d, disk.Span{Start: 1, Count: 40}, 7)
	disks.Noise(d, disk.Span{Start: 45_000, Count: 60}, 8)
	v := disk.Span{Start: 63, Count: 40_000}
	disks.FAT(d, v, fat.FAT16, 5_000)
	disks.Noise(d, disk.Span{Start: 20_000, Count: 4}, id) // its own songs
	disks.MBR(d, disks.Entry{Span: v, Type: 6, Active: true})
	b := make([]byte, 512)
	if _, err := d.ReadAt(b, 0); err != nil {
		panic(err)
	}
	copy(b[440:], fmt.Sprintf("%04d", id))
	d.Put(0, b)
	return d
}

func unit(t *testing.T, name string, src image.Source) Unit {
	t.Helper()
	m, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return Unit{name, src, m}
}

func lacking(d image.Source, spans ...disk.Span) image.Source {
	return image.NewKnown(d, disk.NewSpans(spans...), nil)
}

func span(start, count disk.Sector) disk.Span { return disk.Span{Start: start, Count: count} }

// TestAnotherUnitGivesItsBootSectors: in the gap, in the tail, and the table itself,
// whose disk id is named as the other unit's.
func TestAnotherUnitGivesItsBootSectors(t *testing.T) {
	other := unit(t, "other.img", drive(50_000, 2))
	for name, c := range map[string]struct {
		lost, within, want disk.Spans
		names              int
	}{
		"the gap":            {disk.Spans{span(10, 3)}, disk.Spans{span(0, 63)}, disk.Spans{span(10, 3)}, 0},
		"two runs":           {disk.Spans{span(5, 1), span(12, 2)}, disk.Spans{span(0, 63)}, disk.Spans{span(5, 1), span(12, 2)}, 0},
		"the tail":           {disk.Spans{span(45_010, 5)}, disk.Spans{span(45_000, 100)}, disk.Spans{span(45_010, 5)}, 0},
		"the table":          {disk.Spans{span(0, 1)}, disk.Spans{span(0, 63)}, disk.Spans{span(0, 1)}, 1},
		"beside the table":   {disk.Spans{span(1, 2)}, disk.Spans{span(0, 63)}, disk.Spans{span(1, 2)}, 0},
		"only what is asked": {disk.Spans{span(5, 1), span(45_010, 5)}, disk.Spans{span(0, 63)}, disk.Spans{span(5, 1)}, 0},
	} {
		g, err := Judge(unit(t, "mine.img", lacking(drive(50_000, 1), c.lost...)), other, c.within)
		if err != nil || !slices.Equal(g.Spans, c.want) || len(g.Identity) != c.names || g.Alike == 0 {
			t.Errorf("%s: %+v, %v", name, g, err)
		}
	}
}

// TestAnotherUnitIsRefused: with the numbers, and where.
func TestAnotherUnitIsRefused(t *testing.T) {
	moved := drive(50_000, 2)
	disks.MBR(moved, disks.Entry{Span: span(63, 39_000), Type: 6, Active: true})
	second := drive(50_000, 2)
	disks.MBR(second, disks.Entry{Span: span(63, 40_000), Type: 6, Active: true}, disks.Entry{Span: span(41_000, 100), Type: 1})
	version := drive(50_000, 2)
	disks.Noise(version, span(14, 1), 99)
	for name, c := range map[string]struct {
		other        image.Source
		lost, within disk.Span
		want         []string
	}{
		"another size":      {drive(50_001, 2), span(10, 3), span(0, 63), []string{"50,000 sectors", "50,001"}},
		"another layout":    {moved, span(10, 3), span(0, 63), []string{"40,000 sectors", "39,000 sectors"}},
		"one entry more":    {second, span(10, 3), span(0, 63), []string{"has 1 used", "has 2:"}},
		"another version":   {version, span(10, 3), span(0, 63), []string{"sector 14", "byte 0", "sectors 10 to 12"}},
		"inside a volume":   {drive(50_000, 2), span(60, 10), span(0, 100), []string{"7 sectors", "sector 63", "0+63"}},
		"nothing lost":      {drive(50_000, 2), span(10, 3), span(20, 3), []string{"none of the sectors"}},
		"it lacks them too": {lacking(drive(50_000, 2), span(8, 9)), span(10, 3), span(0, 63), []string{"none of the sectors"}},
		"no neighbour":      {lacking(drive(50_000, 2), span(0, 10), span(13, 50)), span(10, 3), span(0, 63), []string{"no sector is known of both"}},
		"blank beside it":   {drive(50_000, 2), span(44_000, 3), span(43_000, 1_500), []string{"hold nothing"}},
	} {
		_, err := Judge(unit(t, "mine.img", lacking(drive(50_000, 1), c.lost)), unit(t, "other.img", c.other), disk.Spans{c.within})
		var no *RefusedError
		if !errors.As(err, &no) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, want := range c.want {
			if !strings.Contains(no.Why, want) {
				t.Errorf("%s: %q is not in %q", name, want, no.Why)
			}
		}
	}
}
