package mbr

import (
	"encoding/binary"
	"path/filepath"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// fixture reads a disk of testdata/mbr.
func fixture(t testing.TB, name string) *imagetest.Disk {
	t.Helper()
	return imagetest.Load(t, filepath.Join("..", "..", "..", "testdata", "mbr", name))
}

// rec is a record of a test disk; geo is the geometry of its tuples, which
// are left zero without one.
type rec struct {
	slot         int
	boot, typ    byte
	start, count uint32
	base         disk.Sector
	geo          Geometry
}

// putRecords writes a boot record with the given records at a sector.
func putRecords(d *imagetest.Disk, at disk.Sector, records ...rec) {
	b := make([]byte, d.SectorSize())
	b[510], b[511] = 0x55, 0xAA
	for _, r := range records {
		p := b[446+16*r.slot:]
		p[0], p[4] = r.boot, r.typ
		binary.LittleEndian.PutUint32(p[8:], r.start)
		binary.LittleEndian.PutUint32(p[12:], r.count)
		if r.geo.Known() {
			s := disk.Span{Start: r.base + disk.Sector(r.start), Count: disk.Sector(r.count)}
			start, end := FromLBA(s.Start, r.geo).Pack(), FromLBA(s.Last(), r.geo).Pack()
			copy(p[1:], start[:])
			copy(p[5:], end[:])
		}
	}
	d.Put(at, b)
}

func mustRead(t testing.TB, d *imagetest.Disk) *Table {
	t.Helper()
	tab, err := Read(d)
	if err != nil {
		t.Fatal(err)
	}
	return tab
}

func codes(fs []disk.Finding) map[string]int {
	out := map[string]int{}
	for _, f := range fs {
		out[string(f.Code)]++
	}
	return out
}

type span struct {
	index        int
	start, count disk.Sector
}

func spans(tab *Table) []span {
	var out []span
	for _, e := range tab.Layout().Entries {
		out = append(out, span{e.Index, e.Start, e.Count})
	}
	return out
}
