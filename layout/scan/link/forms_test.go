package link_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/scan/link"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

var le = binary.LittleEndian

// formDisk is a disk of 60,000 sectors with an active FAT16 volume at sector 63.
func formDisk(t *testing.T, files map[string][]byte) *imagetest.Disk {
	t.Helper()
	return formDiskOf(t, 60_000, files)
}

func formDiskOf(t *testing.T, sectors disk.Sector, files map[string][]byte) *imagetest.Disk {
	t.Helper()
	const start = 63
	count := sectors - 10_000
	d := imagetest.New(sectors, 512)
	disks.MBR(d, disks.Entry{Span: disk.Span{Start: start, Count: count}, Type: 6, Active: true})
	v, err := format.New(io.NewOffsetWriter(d, start*512), format.Options{Sectors: int64(count), Kind: fat.FAT16,
		SectorsPerCluster: 4, Hidden: start})
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if err := v.Add(name, bytes.NewReader(files[name]), int64(len(files[name])), format.File{}); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	return d
}

// grub2 puts a boot sector of GRUB 2 into sector 0 and a first sector of its core into
// another, with a list (boot.S, diskboot.S and include/grub/i386/pc/boot.h of GRUB 2.06:
// 5Ch, and 12 bytes an entry from 1F4h downwards).
func grub2(d *imagetest.Disk, first uint64, list ...[2]uint64) {
	b := make([]byte, 440)
	le.PutUint64(b[0x5C:], first)
	copy(b[0x180:], "GRUB \x00Geom\x00Hard Disk\x00Read\x00 Error")
	_, _ = d.WriteAt(b, 0)
	core := bytes.Repeat([]byte{0x90}, 512)
	clear(core[256:])
	for i, e := range list {
		le.PutUint64(core[0x1F4-12*i:], e[0])
		le.PutUint16(core[0x1F4-12*i+8:], uint16(e[1]))
	}
	if first < 60_000 {
		d.Put(disk.Sector(first), core)
	}
}

func named(f *link.Found, form string) (out []disk.Sector) {
	for _, l := range f.Links {
		if l.Form == form && l.Lost == "" {
			out = append(out, l.Target.Start)
		}
	}
	return out
}

func lost(f *link.Found) (out []string) {
	for _, l := range f.Links {
		if l.Lost != "" {
			out = append(out, l.Lost)
		}
	}
	return out
}

// A list of GRUB is followed whole. What lies past the end of the disk, or in sectors
// that the source does not know, is named and lost; a list that nothing ends is cut, and
// said to be; one that leads back to itself ends.
func TestGRUBList(t *testing.T) {
	for _, c := range []struct {
		name    string
		first   uint64
		list    [][2]uint64
		want    []disk.Sector
		lost    int
		cut     bool
		unknown disk.Span
	}{
		{name: "whole", first: 1, list: [][2]uint64{{2, 20}, {30, 9}}, want: []disk.Sector{2, 30}},
		{name: "past the end", first: 1, list: [][2]uint64{{59_990, 11}, {60_000, 1}, {1 << 32, 1}, {1<<64 - 1, 0xFFFF}},
			lost: 4},
		{name: "the first past the end", first: 1 << 63, lost: 1},
		{name: "into unknown sectors", first: 1, list: [][2]uint64{{2, 20}, {30, 9}}, want: []disk.Sector{30}, lost: 1,
			unknown: disk.Span{Start: 10, Count: 1}},
		{name: "the first unknown", first: 1, lost: 1, unknown: disk.Span{Start: 1, Count: 1}},
		{name: "back to itself", first: 1, list: [][2]uint64{{1, 1}, {0, 1}, {1, 3}}, want: []disk.Sector{0, 1, 1}},
		{name: "without an end", first: 1, list: slices.Repeat([][2]uint64{{40, 0xFFFF}}, 21), want: nil, lost: 21,
			cut: true},
	} {
		d := formDisk(t, nil)
		grub2(d, c.first, c.list...)
		var src image.Source = d
		if !c.unknown.Empty() {
			src = image.NewKnown(d, disk.NewSpans(c.unknown), nil)
		}
		f := find(t, src)
		if got := named(f, "GRUB 2 block list"); !slices.Equal(slices.Sorted(slices.Values(got)), c.want) {
			t.Errorf("%s: the list names %v, want %v", c.name, got, c.want)
		}
		if got := lost(f); len(got) != c.lost || f.Cut != c.cut {
			t.Errorf("%s: lost %q, cut %v", c.name, got, f.Cut)
		}
		if !c.unknown.Empty() && !strings.Contains(strings.Join(lost(f), ""), disk.Grouped(c.unknown.Start)) {
			t.Errorf("%s: the unknown sector is not named: %q", c.name, lost(f))
		}
	}
}

// ldlinux is a file LDLINUX.SYS whose extended area begins at byte 1,400h, and that has
// extents (libinstaller/syslxint.h of SYSLINUX 6.03: struct patch_area, struct
// ext_patch_area). n is how many extents it says to have.
func ldlinux(n int, extents ...[2]uint64) []byte {
	b := bytes.Repeat([]byte{0x90}, 12<<10)
	clear(b[0x600:0x1000]) // blank sectors before the area
	copy(b[0x18:], "\xFE\x02\xB2\x3E")
	le.PutUint16(b[0x18+22:], 0x1400)
	area := b[0x1400:]
	le.PutUint16(area, 0)
	le.PutUint16(area[10:], 0x1600)
	le.PutUint16(area[12:], uint16(n))
	le.PutUint16(area[14:], 0x11A)
	for i, e := range extents {
		le.PutUint64(b[0x1600+10*i:], e[0])
		le.PutUint16(b[0x1600+10*i+8:], uint16(e[1]))
	}
	return b
}

// The list of LDLINUX.SYS is found behind its blank sectors too, and followed whole; its
// sectors count from the start of the volume. One that says to be longer than the file is
// cut, and said to be.
func TestSYSLINUXList(t *testing.T) {
	for _, n := range []int{2, 3, 0xFFFF} {
		d := formDisk(t, map[string][]byte{"LDLINUX.SYS": ldlinux(n, [2]uint64{1000, 4}, [2]uint64{2000, 1})})
		var first disk.Sector
		for _, p := range find(t, d).Places() {
			if p.Path == "LDLINUX.SYS" {
				first = p.Start
			}
		}
		b, err := image.ReadSector(d, 63)
		if err != nil {
			t.Fatal(err)
		}
		le.PutUint32(b[0x11A:], uint32(first-63))
		d.Put(63, b)
		f := find(t, d)
		if got, want := named(f, "SYSLINUX sector list"), []disk.Sector{1063, 2063}; !slices.Equal(got[:min(2, len(got))],
			want) {
			t.Errorf("%d extents: the list names %v, want %v", n, got, want)
		}
		if len(f.Links) > 2000 || f.Cut != (n == 0xFFFF) {
			t.Errorf("%d extents: %d links, cut %v", n, len(f.Links), f.Cut)
		}
	}
}

// Files that name each other are followed once each.
func TestCircleOfFiles(t *testing.T) {
	files := map[string][]byte{"A.GAP": make([]byte, 40<<20)} // the others begin behind sector 65,536
	for i := range 3 {
		files[fmt.Sprintf("PART%d.BIN", i)] = disks.Recording(2000, uint64(i))
	}
	d := formDiskOf(t, 200_000, files)
	at := map[string]disk.Sector{}
	for _, p := range find(t, d).Places() {
		at[p.Path] = p.Start
	}
	point := func(from disk.Sector, in int, to disk.Sector) {
		b, err := image.ReadSector(d, from)
		if err != nil {
			t.Fatal(err)
		}
		le.PutUint32(b[in:], uint32(to))
		d.Put(from, b)
	}
	point(0, 200, at["PART0.BIN"])
	for i := range 3 {
		point(at[fmt.Sprintf("PART%d.BIN", i)], 40, at[fmt.Sprintf("PART%d.BIN", (i+1)%3)])
	}
	f := find(t, d)
	if len(f.Links) != 4 || !f.Circle || f.Deep {
		t.Errorf("%d links, circle %v, deep %v", len(f.Links), f.Circle, f.Deep)
	}
}
