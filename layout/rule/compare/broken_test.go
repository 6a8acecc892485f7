package compare

import (
	"encoding/binary"
	"errors"
	"io"
	"slices"
	"sync/atomic"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare/family"
)

// TestBroken: any disk of the model follows the rules, of whatever size, and
// any changed number, copy or checksum is found.
func TestBroken(t *testing.T) {
	unit := family.Unit{Serial: 70, Clock: 71, Songs: 72}
	for _, f := range family.Named() {
		c := compareWide(t, f, family.NamedSizes())
		for _, n := range append(family.NamedSizes(), 1_130_004) {
			broken, err := c.Broken(f.Disk(n, unit))
			if err != nil || len(broken) > 0 {
				t.Errorf("%s, %d sectors: %v, %v", f.Name, n, err, broken)
			}
		}
		spoil := func(p candidate.Place, at int, code string) {
			const n = 1_130_004
			d := f.Disk(n, unit)
			b, err := image.ReadSectors(d, disk.Span{Start: p.At(n), Count: 1})
			if err != nil {
				t.Fatal(err)
			}
			b[at] ^= 0x55
			d.Put(p.At(n), b)
			broken, err := c.Broken(d)
			if err != nil || !slices.Contains(imagetest.Codes(broken), code) {
				t.Errorf("%s: a changed byte %d of %s is not %s: %v, %v", f.Name, at, p, code, err, broken)
			}
		}
		for _, x := range c.Fields {
			spoil(x.Place, x.Byte+x.Width/2, "rule-field")
		}
		for _, x := range c.Copies {
			spoil(x.To, 300, "rule-copy")
		}
		for _, x := range c.Checks {
			spoil(x.Place, x.Byte, "rule-check")
		}
	}
}

// A number that has outgrown its bytes is looked for where a longer reading has
// it, and nowhere else.
func TestBrokenLongerReading(t *testing.T) {
	plain := []Formula{{Times: 1, Of: 1, Per: 1}}
	r := &Rules{SectorSize: 512, Head: 40, Tail: 40, Fields: []Field{{
		Place: candidate.Place{From: layout.FromStart, Byte: 12}, Class: Size, Width: 2, Bits: 99,
		Ways: []Way{{12, "be16", plain, 0}, {10, "be32", plain, 0}},
	}}}
	for _, n := range []disk.Sector{60_000, 70_000} {
		d := imagetest.New(n, 512)
		b := make([]byte, 512)
		binary.BigEndian.PutUint32(b[10:], uint32(n))
		d.Put(0, b)
		if broken, err := r.Broken(d); err != nil || len(broken) > 0 {
			t.Errorf("%d sectors: %v, %v", n, err, broken)
		}
		b[11] ^= 1
		b[12] ^= 1
		d.Put(0, b)
		if broken, err := r.Broken(d); err != nil || len(broken) != 1 {
			t.Errorf("%d sectors, another number: %v, %v", n, err, broken)
		}
	}
}

// tiring is a disk that fails when as many bytes were read as it has.
type tiring struct {
	image.Source
	reads atomic.Int64
}

func (d *tiring) ReadAt(p []byte, off int64) (int, error) {
	if d.reads.Add(int64(len(p))) > d.Size() {
		return 0, io.ErrUnexpectedEOF
	}
	return d.Source.ReadAt(p, off)
}

// A read that fails while checksums are looked for is told, and no reason to
// find fewer of them.
func TestReadFailsInSearch(t *testing.T) {
	f := family.Named()[1]
	var dumps []Dump
	for i, n := range family.NamedSizes() {
		d := &tiring{Source: f.Disk(n, family.Unit{Serial: uint64(i)})}
		d.reads.Store(d.Size() - 2*64*512) // both areas once
		dumps = append(dumps, Dump{Name: f.Name, Source: d})
	}
	if _, err := Run(t.Context(), dumps, Options{Head: 64, Tail: 64}); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("%v", err)
	}
}

func TestBrokenDisksOfAnotherKind(t *testing.T) {
	f := family.Named()[1]
	c := compareWide(t, f, family.NamedSizes())
	for _, d := range []image.Source{imagetest.New(20, 512), imagetest.New(1_000_000, 1024)} {
		broken, err := c.Broken(d)
		if err != nil || len(broken) != 1 || broken[0].Code != "rules-areas-overlap" {
			t.Errorf("%v, %v", broken, err)
		}
	}
	var unknown *image.UnknownError
	src := image.NewKnown(f.Disk(1_130_004, family.Unit{}), disk.Spans{{Start: 0, Count: 2}}, nil)
	if _, err := c.Broken(src); !errors.As(err, &unknown) {
		t.Errorf("a sector that is not known passes: %v", err)
	}
	bad := c.Rules
	bad.SectorSize = 7
	if _, err := bad.Broken(src); err == nil {
		t.Error("rules that contradict themselves pass")
	}
}

// TestOnly: copies fall to pieces, forward and back, and keep what is their own.
func TestOnly(t *testing.T) {
	start := func(s disk.Sector, b int) candidate.Place {
		return candidate.Place{From: layout.FromStart, Sector: s, Byte: b}
	}
	end := func(s disk.Sector, b int) candidate.Place {
		return candidate.Place{From: layout.FromEnd, Sector: s, Byte: b}
	}
	r := &Rules{
		SectorSize: 512, Head: 50, Tail: 50,
		Fields: []Field{{Place: start(0, 10), Width: 4}, {Place: start(3, 10), Width: 4}},
		Checks: []Check{{Place: start(0, 508), Width: 2}, {Place: end(1, 508), Width: 2}},
		Copies: []CopyRule{{Repeat: candidate.Repeat{Of: start(0, 0), To: end(1, 0), Count: 6, Back: true},
			Own: []Stretch{{end(2, 7), 1, CopyNumber}, {end(6, 7), 1, CopyNumber}}}},
	}
	got := r.Only(func(s candidate.Place, from, to int) bool { return s.Sector != 3 || s.From == layout.FromEnd })
	want := []CopyRule{
		{candidate.Repeat{Of: start(0, 0), To: end(1, 0), Count: 3, Back: true}, r.Copies[0].Own[:1]},
		{candidate.Repeat{Of: start(4, 0), To: end(5, 0), Count: 2, Back: true}, r.Copies[0].Own[1:]},
	}
	if len(got.Fields) != 1 || len(got.Checks) != 2 || len(got.Copies) != 2 {
		t.Fatalf("%+v", got)
	}
	for i, c := range got.Copies {
		if c.Of != want[i].Of || c.To != want[i].To || c.Count != want[i].Count || !c.Back ||
			!slices.Equal(c.Own, want[i].Own) {
			t.Errorf("%+v, want %+v", c, want[i])
		}
	}
	if got := r.Only(func(candidate.Place, int, int) bool { return true }); len(got.Copies) != 1 ||
		got.Copies[0].Count != 6 || len(got.Copies[0].Own) != 2 {
		t.Errorf("%+v", got.Copies)
	}
	if got := r.TailReach(); got != 6 {
		t.Errorf("the tail begins %d before the end", got)
	}
}

// TestConstantTail: what is the same on all originals reaches further than the
// rules; content does not.
func TestConstantTail(t *testing.T) {
	r := &Rules{SectorSize: 512, Head: 40, Tail: 40,
		Carried: []Stretch{{candidate.Place{From: layout.FromEnd, Sector: 40, Byte: 0}, 20 * 512, Content},
			{candidate.Place{From: layout.FromEnd, Sector: 12, Byte: 9}, 8, Identity}}}
	r.Fields = []Field{{Place: candidate.Place{From: layout.FromEnd, Sector: 3, Byte: 0}, Width: 4}}
	d := imagetest.New(1000, 512)
	disks.Noise(d, disk.Span{Start: 900, Count: 80}, 1)
	disks.Noise(d, disk.Span{Start: 988, Count: 2}, 2)
	if n, err := r.ConstantTail(d); err != nil || n != 12 {
		t.Errorf("%d, %v; want 12", n, err)
	}
	if n, err := r.ConstantTail(imagetest.New(1000, 512)); err != nil || n != 3 {
		t.Errorf("a blank disk: %d, %v; want 3", n, err)
	}
}
