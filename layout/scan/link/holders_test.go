package link_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/link"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

func find(t *testing.T, src image.Source) *link.Found {
	t.Helper()
	m, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	f, err := link.Find(context.Background(), src, m)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// withFile lays a FAT volume down, from a gap of free clusters on a file, and returns
// the first sector of the file.
func withFile(t *testing.T, d *imagetest.Disk, start, count disk.Sector, kind fat.Kind) disk.Sector {
	t.Helper()
	v, err := format.New(io.NewOffsetWriter(d, int64(start)*512), format.Options{Sectors: int64(count), Kind: kind,
		SectorsPerCluster: 1, Hidden: uint32(start)})
	if err != nil {
		t.Fatal(err)
	}
	gap := make([]byte, 40_000*512)
	if err := v.Add("GAP", bytes.NewReader(gap), int64(len(gap)), format.File{}); err != nil {
		t.Fatal(err)
	}
	body := disks.Recording(5000, 7)
	if err := v.Add("SECRET.BIN", bytes.NewReader(body), int64(len(body)), format.File{}); err != nil {
		t.Fatal(err)
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	for _, p := range find(t, d).Places() {
		if p.Path == "SECRET.BIN" {
			return p.Start
		}
	}
	t.Fatal("the file is not there")
	return 0
}

// FAT Specification (Microsoft, 2004), "Boot Sector and BPB" and "FAT32 FSInfo Sector
// Structure and Backup Boot Sector": the fields there are lengths and counts. One that
// equals the sector of a file is no link; the same number in code beside it is.
func TestFieldsAreNoLinks(t *testing.T) {
	s := imagetest.New(100_000, 512)
	first := withFile(t, s, 0, 100_000, fat.FAT32)
	for _, c := range []struct {
		name   string
		sector disk.Sector
		byte   int
		link   bool
	}{
		{"hidden sectors", 0, 28, false}, {"last bytes of the fields", 0, 86, false}, {"code", 0, 90, true},
		{"end of the code", 0, 506, true}, {"into the signature", 0, 508, false},
		{"free clusters in FSInfo", 1, 488, false}, {"next free cluster in FSInfo", 1, 492, false},
		{"third sector of code", 2, 100, true},
		{"hidden sectors of the backup", 6, 28, false}, {"size in the backup", 6, 36, false}, {"code of the backup", 6, 300,
			true},
		{"free clusters in the FSInfo of the backup", 7, 488, false}, {"after the backup", 9, 0, true},
	} {
		b, err := image.ReadSector(s, c.sector)
		if err != nil {
			t.Fatal(err)
		}
		before := bytes.Clone(b)
		binary.LittleEndian.PutUint32(b[c.byte:], uint32(first))
		if c.byte == 508 {
			copy(b[510:], before[510:])
		}
		s.Put(c.sector, b)
		if got := holds(find(t, s), c.sector, c.byte, first); got != c.link {
			t.Errorf("%s: a link is %v, want %v", c.name, got, c.link)
		}
		s.Put(c.sector, before)
	}
}

func holds(f *link.Found, at disk.Sector, in int, named disk.Sector) bool {
	for _, l := range f.Links {
		if l.At == at && l.Byte == in && l.Target.Start == named {
			return true
		}
	}
	return false
}

// Numbers in tables are no links: the disk identifier and the entries of an MBR, those
// of the records of a chain, and both headers and the entries of a GUID partition table
// (UEFI Specification 2.10, 5.2 and 5.3). Code beside them is searched, also that of the
// record of a chain.
func TestTablesAreNoCode(t *testing.T) {
	chain := imagetest.New(200_000, 512)
	box := disks.Entry{Span: disk.Span{Start: 100_300, Count: 90_000}, Type: 0x0F}
	disks.MBR(chain, disks.Entry{Span: disk.Span{Start: 63, Count: 100_000}, Type: 0x06}, box)
	disks.Chain(chain, box.Span, 63, disks.Entry{Span: disk.Span{Start: 100_363, Count: 333}, Type: 0x83})
	guid := imagetest.New(200_000, 512)
	disks.GPT(guid, disks.Entry{Span: disk.Span{Start: 2048, Count: 100_000}})
	for name, d := range map[string]*imagetest.Disk{"chain": chain, "gpt": guid} {
		start := disk.Sector(63)
		if name == "gpt" {
			start = 2048
		}
		first := withFile(t, d, start, 100_000, fat.FAT32)
		places := map[[2]int]bool{{0, 100}: true, {0, 440}: false, {50, 0}: true}
		if name == "chain" {
			places[[2]int{100_300, 200}], places[[2]int{100_300, 446 + 16 + 12}] = true, false
		} else {
			places[[2]int{1, 72}], places[[2]int{2, 64}], places[[2]int{60, 3}] = false, false, true
		}
		for at, want := range places {
			b, err := image.ReadSector(d, disk.Sector(at[0]))
			if err != nil {
				t.Fatal(err)
			}
			before := bytes.Clone(b)
			binary.LittleEndian.PutUint32(b[at[1]:], uint32(first))
			d.Put(disk.Sector(at[0]), b)
			if got := holds(find(t, d), disk.Sector(at[0]), at[1], first); got != want {
				t.Errorf("%s: a number in sector %d, byte %d, is a link: %v, want %v", name, at[0], at[1], got, want)
			}
			d.Put(disk.Sector(at[0]), before)
		}
	}
}
