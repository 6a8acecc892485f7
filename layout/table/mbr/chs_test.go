package mbr

import (
	"math/rand"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

var (
	assist16  = Geometry{16, 63}
	assist255 = Geometry{255, 63}
)

// Published tuples. Packing: util-linux, include/pt-mbr.h; clamp: libfdisk,
// src/dos.c, dos_partition_sync_chs; the numbers follow by arithmetic.
func TestFromLBA(t *testing.T) {
	for _, c := range []struct {
		id    string
		lba   disk.Sector
		g     Geometry
		bytes [3]byte
	}{
		{"first sector", 0, assist255, [3]byte{0x00, 0x01, 0x00}},
		{"M04", 63, assist255, [3]byte{0x01, 0x01, 0x00}},
		{"M05", 2048, assist255, [3]byte{0x20, 0x21, 0x00}},
		{"M06", 8192, assist255, [3]byte{0x82, 0x03, 0x00}},
		{"end of cylinder 0", 16064, assist255, [3]byte{0xFE, 0x3F, 0x00}},
		{"cylinder 1", 16065, assist255, [3]byte{0x00, 0x01, 0x01}},
		{"cylinder 255", 4112639, assist255, [3]byte{0xFE, 0x3F, 0xFF}},
		{"M07", 16450559, assist255, [3]byte{0xFE, 0xFF, 0xFF}},
		{"M07 clamp", 16450560, assist255, [3]byte{0xFE, 0xFF, 0xFF}},
		{"M08", 1032191, assist16, [3]byte{0x0F, 0xFF, 0xFF}},
		{"M08 clamp", 39070079, assist16, [3]byte{0x0F, 0xFF, 0xFF}},
	} {
		got := FromLBA(c.lba, c.g)
		if got.Pack() != c.bytes {
			t.Errorf("%s: sector %d: % X, want % X", c.id, c.lba, got.Pack(), c.bytes)
		}
		if UnpackCHS(c.bytes) != got {
			t.Errorf("%s: % X unpacks to %v, want %v", c.id, c.bytes, UnpackCHS(c.bytes), got)
		}
	}
}

// M09: util-linux, libblkid/src/partitions/dos.c: these two say "invalid".
func TestOverflowed(t *testing.T) {
	for _, b := range [][3]byte{{0xFE, 0xFF, 0xFF}, {0xFF, 0xFF, 0xFF}} {
		if !UnpackCHS(b).Overflowed() {
			t.Errorf("% X is not taken for an overflow", b)
		}
	}
	if (CHS{1023, 15, 63}).Overflowed() || (CHS{1022, 254, 63}).Overflowed() {
		t.Error("a tuple that names a sector is taken for an overflow")
	}
}

func TestPackIsReversible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := [3]byte{rapid.Byte().Draw(t, "h"), rapid.Byte().Draw(t, "s"), rapid.Byte().Draw(t, "c")}
		if got := UnpackCHS(b).Pack(); got != b {
			t.Fatalf("% X comes back as % X", b, got)
		}
	})
}

func TestLBAIsReversible(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := Geometry{rapid.IntRange(1, 256).Draw(t, "heads"), rapid.IntRange(1, 63).Draw(t, "spt")}
		lba := disk.Sector(rapid.Int64Range(0, int64(g.cylinder())*1024-1).Draw(t, "lba"))
		if got := FromLBA(lba, g).LBA(g); got != lba {
			t.Fatalf("sector %d in %v comes back as %d", lba, g, got)
		}
	})
}

// dosfstools, src/mkfs.fat.c (LBA-assist table); limits: ATA-3 draft annex B
// (M13), the table itself (M14), 1024 x 255 x 63 (M15).
func TestAssist(t *testing.T) {
	for _, c := range []struct {
		id    string
		total disk.Sector
		want  Geometry
	}{
		{"M13", 1032192, Geometry{16, 63}},
		{"M19", 1032193, Geometry{32, 63}},
		{"end of 32 heads", 2064384, Geometry{32, 63}},
		{"M14", 4128768, Geometry{64, 63}},
		{"after M14", 4128769, Geometry{128, 63}},
		{"end of 128 heads", 8257536, Geometry{128, 63}},
		{"beyond 128 heads", 8257537, Geometry{255, 63}},
		{"M15", 16450560, Geometry{255, 63}},
		{"M21", 16450561, Geometry{255, 63}},
		{"a large disk", 39070080, Geometry{255, 63}},
	} {
		g := Assist(c.total)
		if g != c.want {
			t.Errorf("%s: %d sectors are counted in %v, want %v", c.id, c.total, g, c.want)
		}
	}
}

func TestEndCHS(t *testing.T) {
	if got := EndCHS(63, 40257, Geometry{}); got != Overflow254 {
		t.Errorf("without a geometry: %v, want the overflow tuple", got)
	}
	// The end of the first entry of testdata/mbr/chain.txt, as sfdisk wrote it.
	if got := EndCHS(63, 40257, assist255).Pack(); got != [3]byte{0x81, 0x3F, 0x02} {
		t.Errorf("63+40257 ends at % X, want 81 3F 02", got)
	}
}

func TestImpliedGeometry(t *testing.T) {
	at := func(lba disk.Sector, g Geometry) Tuple { return Tuple{FromLBA(lba, g), lba} }
	wrong := Tuple{CHS{5, 6, 7}, 123456}
	for _, c := range []struct {
		name   string
		tuples []Tuple
		want   Geometry
	}{
		{"nothing", nil, Geometry{}},
		{"one entry", []Tuple{at(63, assist255), at(40319, assist255)}, assist255},
		{"one entry of a small disk", []Tuple{at(32, Geometry{4, 32}), at(62719, Geometry{4, 32})}, Geometry{4, 32}},
		{"start and clamp", []Tuple{at(63, assist255), {Overflow254, 39070079}}, assist255},
		{"start and clamp, 16 heads", []Tuple{at(63, assist16), at(39070079, assist16)}, assist16},
		{"one wrong of four", []Tuple{at(63, assist255), wrong, at(40320, assist255), at(900000, assist255)}, assist255},
		{"only cylinder 0", []Tuple{at(63, assist255), at(1000, assist255)}, Geometry{}},
		{"only overflow", []Tuple{{Overflow254, 20000000}, {Overflow254, 39070079}}, Geometry{}},
		{"only zero", []Tuple{{CHS{}, 2048}, {CHS{}, 4095}}, Geometry{}},
		{"two geometries", []Tuple{at(16065, assist255), at(900000, assist255), at(1008, assist16), at(900000, assist16)}, Geometry{}},
	} {
		got, ok := impliedGeometry(c.tuples)
		if got != c.want || ok != c.want.Known() {
			t.Errorf("%s: %v %v, want %v", c.name, got, ok, c.want)
		}
	}
}

// Trying every geometry there is gives the same answer.
func TestImpliedGeometryIsTheBestOfAll(t *testing.T) {
	for _, seed := range need.Seeds(40, 2000) {
		r := rand.New(rand.NewSource(seed))
		shapes := []Geometry{{2, 32}, {16, 63}, {64, 32}, {255, 63}, {240, 63}, {1 + r.Intn(256), 1 + r.Intn(63)}}
		g := shapes[r.Intn(len(shapes))]
		var tuples []Tuple
		for range 1 + r.Intn(8) {
			lba := disk.Sector(r.Int63n(1 << (5 + r.Intn(27))))
			c := Tuple{FromLBA(lba, g), lba}
			switch r.Intn(6) {
			case 0:
				c.CHS = FromLBA(lba, shapes[r.Intn(len(shapes))])
			case 1:
				c.CHS = []CHS{{}, Overflow254, Overflow255}[r.Intn(3)]
			}
			tuples = append(tuples, c)
		}
		var best []Geometry
		n, firm := -1, 0
		for heads := 1; heads <= 256; heads++ {
			for spt := 1; spt <= 63; spt++ {
				c := Geometry{heads, spt}
				if s := c.score(tuples); s > n {
					best, n = []Geometry{c}, s
				} else if s == n {
					best = append(best, c)
				}
			}
		}
		for _, c := range tuples {
			if c.stated() && c.C < MaxCylinder {
				firm++
			}
		}
		want := len(best) == 1 && n >= weight && n/weight+n%weight >= 2 && n/weight*2 > firm
		got, ok := impliedGeometry(tuples)
		if ok != want || ok && got != best[0] {
			t.Fatalf("seed %d: %v %v, the best of all are %v; tuples %v", seed, got, ok, best[:min(3, len(best))], tuples)
		}
	}
}
