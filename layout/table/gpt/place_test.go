package gpt

import (
	"encoding/binary"
	"errors"
	"math"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// the size that would do.
func TestRenderSmallest(t *testing.T) {
	for _, c := range []struct {
		sectorSize int
		last       uint64
		smallest   disk.Sector
	}{{512, 3000, 3034}, {4096, 3000, 3006}} {
		s := usual(5000, c.sectorSize, [2]uint64{100, 199}, [2]uint64{200, c.last})
		tab := mustRead(t, s.disk())
		r, err := tab.Render(c.smallest, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		small := mustRead(t, apply(r, c.smallest, c.sectorSize))
		if len(small.Findings) != 0 || small.Primary.Header.LastUsable() != c.last {
			t.Errorf("smallest: last usable %d, findings %v", small.Primary.Header.LastUsable(), small.Findings)
		}
		for _, target := range []disk.Sector{c.smallest - 1, 100, 3, 0, -1, math.MinInt64} {
			_, err := tab.Render(target, nil, nil)
			var e *TooSmallError
			if !errors.As(err, &e) || *e != (TooSmallError{target, c.smallest, disk.Sector(c.last)}) {
				t.Errorf("%d sectors: %v", target, err)
			}
		}
	}
	_, err := mustRead(t, usual(5000, 512).disk()).Render(50, nil, nil)
	var e *TooSmallError
	if !errors.As(err, &e) || e.Smallest != 68 || e.LastUsed != -1 { // 34 + 1 + 33
		t.Errorf("empty table: %v", err)
	}
}

// A wide distance from the end is kept if the entries fit, and given up if not.
func TestRenderDistanceFromEnd(t *testing.T) {
	s := usual(5000, 512, [2]uint64{100, 199})
	s.lastUse = 4000
	tab := mustRead(t, s.disk())
	for target, want := range map[disk.Sector]uint64{10000: 9000, 1200: 200, 1199: 199, 1198: 1198 - 34, 233: 199} {
		r, err := tab.Render(target, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		if got := mustRead(t, apply(r, target, 512)).Primary.Header.LastUsable(); got != want {
			t.Errorf("%d sectors: last usable %d, want %d", target, got, want)
		}
	}
}

// cover it any more in what is rendered.
func TestRenderUsableOverSecondCopy(t *testing.T) {
	s := usual(5000, 512, [2]uint64{100, 199})
	s.lastUse = 4999
	r, err := mustRead(t, s.disk()).Render(6000, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := mustRead(t, apply(r, 6000, 512)).Primary.Header.LastUsable(); got != 6000-34 {
		t.Errorf("last usable %d, want %d", got, 6000-34)
	}
}

// that ends where the smaller disk ended: it follows.
func TestRenderSecondCopyFromTheMiddle(t *testing.T) {
	s := usual(5000, 512, [2]uint64{100, 199})
	s.sectors = 9000
	d := s.disk()
	second := s.second()
	second.arrayAt = 6000
	d.Put(4999, second.header(second.array()))
	d.Put(6000, second.array())
	b, err := image.ReadSectors(d, disk.Span{Count: 1})
	if err != nil {
		t.Fatal(err)
	}
	copy(b[446:], protectiveRecord(4999))
	copy(b[462:], []byte{0x80, 0, 0, 0, 0x0C, 0, 0, 0, 100, 0, 0, 0, 100})
	d.Put(0, b)
	tab := mustRead(t, d)
	if !tab.Backup.Valid() || !tab.MBR.Hybrid() {
		t.Fatalf("findings %v", tab.Findings)
	}
	r, err := tab.Render(12000, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	out := mustRead(t, apply(r, 12000, 512))
	if out.Backup.Header.EntryLBA() != 12000-33 || out.MBR.Record(0).Count != 11999 {
		t.Errorf("second array at %d, protective record %+v", out.Backup.Header.EntryLBA(), out.MBR.Record(0))
	}
}

// Specification 1.10, p. 11-9).
func TestRenderWideReserve(t *testing.T) {
	s := usual(5000, 512, [2]uint64{100, 3000})
	s.count, s.lastUse = 8, 4999-101
	d := s.disk()
	second := s.second()
	second.arrayAt = 4999 - 100
	d.Put(4999, second.header(second.array()))
	d.Put(second.arrayAt, second.array())
	tab := mustRead(t, d)
	for target, want := range map[disk.Sector]disk.Sector{6000: 100, 3102: 100, 3101: 32, 3034: 32} {
		r, err := tab.Render(target, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		out := mustRead(t, apply(r, target, 512))
		if got := target - 1 - disk.Sector(out.Backup.Header.EntryLBA()); got != want || len(out.Findings) != 0 {
			t.Errorf("%d sectors: array %d before its header, want %d; findings %v", target, got, want, out.Findings)
		}
	}
	_, err := tab.Render(3033, nil, nil)
	var e *TooSmallError
	if !errors.As(err, &e) || e.Smallest != 3034 {
		t.Errorf("3033 sectors: %v", err)
	}
}

// Entries past the end of all disks do not make numbers wrap.
func TestRenderHugeNumbers(t *testing.T) {
	tab := mustRead(t, usual(5000, 512, [2]uint64{100, math.MaxInt64 - 1}).disk())
	_, err := tab.Render(6000, nil, nil)
	var e *TooSmallError
	if !errors.As(err, &e) || e.Smallest <= e.Target {
		t.Errorf("%v", err)
	}
	tab = mustRead(t, edit(usual(5000, 512, [2]uint64{100, 199}), 1, func(b []byte) {
		binary.LittleEndian.PutUint64(b[32:], math.MaxUint64)
		sign(b)
	}))
	if ends := tab.Layout().Ends; ends != math.MaxInt64 {
		t.Errorf("the table ends at %d", ends)
	}
	r, err := tab.Render(6000, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if again := mustRead(t, apply(r, 6000, 512)); len(again.Findings) != 0 {
		t.Errorf("findings %v", again.Findings)
	}
}
