package scan

import (
	"context"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/rule/candidate"
)

func outside(t testing.TB, s *layout.Map, src image.Source) *Outside {
	t.Helper()
	o, err := LookOutside(context.Background(), src, s)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// turned returns a disk as a device keeps it whose words are turned round,
// with another signature in the blocks of its map if one is given.
func turned(t testing.TB, name string, order image.Order, signature string) *imagetest.Disk {
	d := fixture(name)
	b := imagetest.Head(t, d, min(d.Size(), 1<<20))
	for i := 512; signature != "" && i < 4*512; i += 512 {
		copy(b[i:], signature)
	}
	if signature != "" {
		copy(b, "JR")
	}
	order.Turn(b)
	d.Put(0, b)
	return d
}

// A known table or volume seen through a byte order, or under a signature of
// the device's own (family J), is reported as such, and nothing is in force.
func TestTablesThroughByteOrder(t *testing.T) {
	for _, c := range []struct {
		fixture, signature string
		order              image.Order
		table, volume      string
	}{
		{"apple/three.txt", "", image.Swap16, "apple", ""},
		{"apple/three.txt", "", image.Swap32, "apple", ""},
		{"apple/three.txt", "JM", image.Swap16, "apple", ""},
		{"apple/three.txt", "JM", image.Plain, "apple", ""},
		{"mbr/chain.txt", "", image.Swap16, "mbr", ""},
		{"fat/fat16.txt", "", image.Swap16, "", "fat16"},
		{"fat/fat12.txt", "", image.Swap32, "", "fat12"},
	} {
		t.Run(c.fixture+" "+c.order.String()+" "+c.signature, func(t *testing.T) {
			d := turned(t, c.fixture, c.order, c.signature)
			s := survey(t, d)
			if s.Table != "none" || len(s.Volumes) > 0 {
				t.Fatalf("table %s, volumes %v: it can be read without a lens", s.Table, s.Volumes)
			}
			o := outside(t, s, d)
			if len(o.Through) != 1 {
				t.Fatalf("%+v", o.Through)
			}
			x := o.Through[0]
			volume := ""
			if len(x.Volumes) > 0 {
				volume = x.Volumes[0].Kind
			}
			if x.Order != c.order || x.Table.Kind != c.table || volume != c.volume || x.Signature != c.signature {
				t.Errorf("%+v", x)
			}
			if !slices.Contains(imagetest.Codes(o.Findings), "table-through-byte-order") || !strings.Contains(x.Text(), c.table+c.volume) {
				t.Errorf("%q, findings %v", x.Text(), o.Findings)
			}
		})
	}
}

// On disks with tables only what lies outside the volumes is looked at, and
// no number is said to be the size where it is not.
func TestOutsideLooksOutsideOnly(t *testing.T) {
	for _, seed := range need.Seeds(40, 400) {
		d := disks.NewRandom(seed)
		s := survey(t, d)
		o := outside(t, s, d)
		for _, r := range s.Regions {
			if r.Role == layout.RoleVolume && len(o.Searched.Within(r.Span)) > 0 {
				t.Errorf("seed %d: volume %s was looked into", seed, r.Span)
			}
		}
		if len(o.Through) > 0 && (len(s.Volumes) > 0 || s.Table != "none") {
			t.Errorf("seed %d: %+v", seed, o.Through)
		}
		for _, x := range o.Invariants() {
			if ok, err := x.Holds(d); !ok || err != nil {
				t.Errorf("seed %d: %s: %v %v", seed, x.Text(), ok, err)
			}
		}
	}
}

// A look outside a sparse 500 GB drive costs little, with a table or without.
func TestOutsideReadsNoHole(t *testing.T) {
	unknown := imagetest.New(976773168, 512) // C03: IDEMA LBA1-02, 500 GB
	disks.Noise(unknown, at(0, 20), 1)
	disks.Noise(unknown, at(976773100, 10), 2)
	for name, d := range map[string]*counted{"table": big500(), "none": {Disk: unknown}, "blank": {Disk: imagetest.New(976773168, 512)}} {
		s := survey(t, d)
		d.bytes = 0
		o := outside(t, s, d)
		if d.bytes > 4<<20 {
			t.Errorf("%s: %d bytes read", name, d.bytes)
		}
		if o.Candidates() {
			t.Errorf("%s: noise shows %v, %v", name, o.Fields, o.Invariants())
		}
	}
}

// Without a table the end of the disk may be a tail: a copy there is counted
// from the end, and nothing else.
func TestAreasOfUndecidedTail(t *testing.T) {
	d := imagetest.New(200_000, 512)
	for x := disk.Sector(0); x < 200_000; x += 60 {
		disks.Noise(d, at(x, 1), uint64(x))
	}
	b, err := image.ReadSectors(d, at(0, 1))
	if err != nil {
		t.Fatal(err)
	}
	d.Put(199_999, b)
	s := survey(t, d)
	areas := areas(s)
	if len(areas) != 2 || areas[0] != (candidate.Area{Span: at(0, 100_000), From: layout.FromStart}) || areas[1] != (candidate.Area{Span: at(100_000, 100_000)}) {
		t.Fatalf("areas %+v", areas)
	}
	o := outside(t, s, d)
	if len(o.Copies) != 1 || o.Copies[0].To != (candidate.Place{From: layout.FromEnd, Sector: 1}) {
		t.Errorf("%+v", o.Copies)
	}
}
