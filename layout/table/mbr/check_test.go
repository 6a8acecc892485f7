package mbr

import (
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

func TestFindings(t *testing.T) {
	g := assist255
	wrong := Geometry{16, 63}
	for _, c := range []struct {
		name    string
		records []rec
		want    string // codes, in order of the findings
	}{
		{"good", []rec{{typ: 0x06, boot: 0x80, start: 63, count: 80262, geo: g}, {slot: 1, typ: 0x83, start: 80325, count: 16065, geo: g}}, ""},
		{"ends at the end", []rec{{typ: 0x06, start: 63, count: 99937}}, ""},
		{"one too long", []rec{{typ: 0x06, start: 63, count: 99938}}, "entry-past-end"},
		{"largest numbers", []rec{{typ: 0x06, start: 0xFFFFFFFF, count: 0xFFFFFFFF}}, "entry-past-end"},
		{"touching", []rec{{typ: 0x06, start: 100, count: 100}, {slot: 1, typ: 0x06, start: 200, count: 100}}, ""},
		{"overlapping", []rec{{typ: 0x06, start: 100, count: 101}, {slot: 1, typ: 0x06, start: 200, count: 100}}, "entries-overlap"},
		{"one inside the other", []rec{{slot: 1, typ: 0x06, start: 150, count: 10}, {slot: 3, typ: 0x06, start: 100, count: 100}}, "entries-overlap"},
		{"third overlaps first", []rec{{typ: 0x06, start: 100, count: 900}, {slot: 1, typ: 0x06, start: 200, count: 10}, {slot: 2, typ: 0x06, start: 300, count: 10}}, "entries-overlap entries-overlap"},
		{"container over a primary", []rec{{typ: 0x06, start: 100, count: 100}, {slot: 1, typ: 0x05, start: 199, count: 100}}, "ebr-no-signature entries-overlap"},
		{"two containers", []rec{{typ: 0x05, start: 100, count: 100}, {slot: 1, typ: 0x0F, start: 199, count: 100}}, "ebr-no-signature ebr-no-signature entries-overlap"},
		{"sector 0 in an entry", []rec{{typ: 0x06, start: 0, count: 100}}, "entry-covers-table"},
		{"two active", []rec{{boot: 0x80, typ: 0x06, start: 100, count: 10}, {slot: 1, boot: 0x80, typ: 0x06, start: 200, count: 10}}, "several-active"},
		{"no length", []rec{{typ: 0x06, start: 100}}, "zero-length-entry"},
		{"no type", []rec{{start: 100, count: 100}}, "zero-type-entry"},
		{"one wrong tuple", []rec{{typ: 0x06, start: 63, count: 80262, geo: g}, {slot: 1, typ: 0x83, start: 80325, count: 300, geo: wrong}, {slot: 2, typ: 0x83, start: 90000, count: 200, geo: g}}, "chs-mismatch chs-mismatch"},
		{"two geometries", []rec{{typ: 0x06, start: 63, count: 80262, geo: g}, {slot: 1, typ: 0x83, start: 80325, count: 300, geo: wrong}}, "chs-mismatch"},
		{"zero tuples", []rec{{typ: 0x06, start: 63, count: 80262, geo: g}, {slot: 1, typ: 0x83, start: 80325, count: 300}}, ""},
		{"tuples of an EE record", []rec{{typ: 0xEE, start: 1, count: 99999, geo: wrong}, {slot: 1, typ: 0x83, start: 80325, count: 300, geo: g}}, ""},
		{"hybrid", []rec{{typ: 0xEE, start: 1, count: 99999}, {slot: 1, typ: 0x83, start: 80325, count: 300}}, ""},
	} {
		d := imagetest.New(100000, 512)
		putRecords(d, 0, c.records...)
		tab := mustRead(t, d)
		var got []string
		for _, f := range tab.Findings {
			got = append(got, string(f.Code))
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: findings %v, want %q", c.name, tab.Findings, c.want)
		}
	}
}

// M09: the overflow tuples and both clamped forms contradict nothing.
func TestOverflowIsNoMismatch(t *testing.T) {
	const start, count = 63, 39070017
	last := disk.Sector(start + count - 1)
	real := FromLBA(last%assist255.cylinder(), assist255) // head and sector of the real end
	for name, end := range map[string]CHS{
		"FE FF FF":           Overflow254,
		"FF FF FF":           Overflow255,
		"only C is clamped":  {MaxCylinder, real.H, real.S},
		"clamped in 240x63":  {MaxCylinder, 239, 63},
		"clamped in 16x63":   {MaxCylinder, 15, 63},
		"clamped in 255x63":  assist255.clamp(),
		"nothing is written": {},
	} {
		d := imagetest.New(39070080, 512)
		putRecords(d, 0, rec{typ: 0x0C, start: start, count: count})
		tab := mustRead(t, d)
		tab.Boot.SetStartCHS(0, CHS{0, 1, 1})
		tab.Boot.SetEndCHS(0, end)
		d.Put(0, tab.Boot.Bytes())
		if tab = mustRead(t, d); len(tab.Findings) != 0 {
			t.Errorf("%s: %v", name, tab.Findings)
		}
	}
}

// A disk with 4096-byte sectors read with 512, and the other way round, as
// happens behind some adapters.
func TestOtherSectorSize(t *testing.T) {
	bootSector := func(size int) []byte {
		b := make([]byte, 512)
		b[0], b[12], b[510], b[511] = 0xEB, byte(size>>8), 0x55, 0xAA
		return b
	}
	ext := make([]byte, 1082)
	ext[1080], ext[1081] = 0x53, 0xEF
	for _, c := range []struct {
		name         string
		read, counts int // sector sizes, bytes
		start        uint32
		volume       []byte
		want         int
	}{
		{"FAT of 4096, read with 512", 512, 4096, 256, bootSector(4096), 4096},
		{"FAT of 512, read with 4096", 4096, 512, 2048, bootSector(512), 512},
		{"FAT of 512, read with 2048", 2048, 512, 2048, bootSector(512), 512},
		{"ext, read with 4096", 4096, 512, 2048, ext, 512},
		{"as it should be", 512, 512, 2048, bootSector(512), 0},
		{"no volume", 512, 4096, 256, nil, 0},
		{"a volume of another size", 512, 4096, 256, bootSector(1024), 0},
	} {
		d := imagetest.New(disk.Sector(64<<20/c.read), c.read)
		putRecords(d, 0, rec{typ: 0x0C, start: c.start, count: 1000})
		if _, err := d.WriteAt(c.volume, int64(c.start)*int64(c.counts)); err != nil {
			t.Fatal(err)
		}
		tab := mustRead(t, d)
		size, ok := tab.fitsSectorSize(d)
		if size != c.want || ok != (c.want != 0) || codes(tab.Findings)["other-sector-size"] != b2i(ok) {
			t.Errorf("%s: fits %d, %v, want %d; findings %v", c.name, size, ok, c.want, tab.Findings)
		}
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}
