package diff

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/scan"
)

const total = 4_000

// before is a disk of an invented device: a head of 40 sectors, and the first
// 10 of them again at the end, in reverse order, with a copy number and the
// bytes of words exchanged.
func before() *imagetest.Disk {
	d := imagetest.New(total, 512)
	disks.Noise(d, disk.Span{Count: 40}, 7)
	for i := range disk.Sector(10) {
		b := read(d, i)
		b[510] = 9
		image.Swap16.Turn(b)
		d.Put(total-1-i, b)
	}
	return d
}

func read(src image.Source, x disk.Sector) []byte {
	b, err := image.ReadSectors(src, disk.Span{Start: x, Count: 1})
	if err != nil {
		panic(err)
	}
	return b
}

// poke changes bytes of one sector.
func poke(d *imagetest.Disk, x disk.Sector, at int, with ...byte) {
	b := read(d, x)
	copy(b[at:], with)
	d.Put(x, b)
}

func newDisk(t testing.TB, src image.Source) Side {
	t.Helper()
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return Side{src, s}
}

func compare(t testing.TB, a, b image.Source) *Report {
	t.Helper()
	r, err := Compare(context.Background(), newDisk(t, a), newDisk(t, b), Options{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestKinds(t *testing.T) {
	for _, x := range []struct {
		name    string
		was, is func(d *imagetest.Disk)
		want    []Kind
		changed disk.Sector
	}{
		{name: "nothing", want: []Kind{Untouched}},
		{name: "a counter in the head", is: func(d *imagetest.Disk) { poke(d, 5, 100, 1, 0) }, want: []Kind{Counted}, changed: 1},
		{name: "a counter in both copies", is: func(d *imagetest.Disk) { poke(d, 5, 100, 1, 0); poke(d, total-6, 100, 0, 1) }, want: []Kind{Counted}, changed: 2},
		{name: "the head was changed, and is as the tail again",
			was: func(d *imagetest.Disk) { poke(d, 0, 64, 1, 2, 3, 4); poke(d, 3, 80, 1, 2, 3, 4) }, want: []Kind{HeadFromTail}, changed: 2},
		{name: "the tail was changed, and is as the head again",
			was: func(d *imagetest.Disk) { poke(d, total-1, 64, 1, 2, 3, 4) }, want: []Kind{TailFromHead}, changed: 1},
		{name: "another head", is: func(d *imagetest.Disk) { disks.Noise(d, disk.Span{Count: 40}, 99) }, want: []Kind{NewFormat}, changed: 40},
		{name: "a table", is: func(d *imagetest.Disk) {
			disks.MBR(d, disks.Entry{Span: disk.Span{Start: 63, Count: 3000}, Type: 6})
		}, want: []Kind{NewFormat}, changed: 1},
		{name: "many bytes of a few sectors", is: func(d *imagetest.Disk) { disks.Noise(d, disk.Span{Start: 2, Count: 6}, 98) }, want: []Kind{Rewritten}, changed: 6},
	} {
		a, b := before(), before()
		if x.was != nil {
			x.was(a)
		}
		if x.is != nil {
			x.is(b)
		}
		r := compare(t, a, b)
		if !slices.Equal(r.Kinds, x.want) || r.Changed != x.changed || r.Compared != total {
			t.Errorf("%s: %v, %d of %d sectors; want %v, %d", x.name, r.Kinds, r.Changed, r.Compared, x.want, x.changed)
		}
	}
}

// TestVolumes: what changes inside a volume, and no entry of a file, is its content; a volume of another kind
// is a new format.
func TestVolumes(t *testing.T) {
	fat := func(seed uint64) *imagetest.Disk {
		d := imagetest.New(20_000, 512)
		disks.MBR(d, disks.Entry{Span: disk.Span{Start: 63, Count: 15_000}, Type: 0x0C})
		disks.FAT(d, disk.Span{Start: 63, Count: 9000}, 0, 3000)
		disks.Noise(d, disk.Span{Start: 5000, Count: 30}, seed)
		return d
	}
	if r := compare(t, fat(1), fat(2)); !slices.Equal(r.Kinds, []Kind{Content}) {
		t.Errorf("content: %v", r.Kinds)
	}
	other := fat(2)
	poke(other, 40, 3, 1)
	if r := compare(t, fat(1), other); !slices.Contains(r.Kinds, Content) || !slices.Contains(r.Kinds, Counted) {
		t.Errorf("content and a counter in the gap: %v", r.Kinds)
	}
	gone := fat(1)
	gone.Put(63, make([]byte, 512))
	if r := compare(t, fat(1), gone); !slices.Contains(r.Kinds, NewFormat) {
		t.Errorf("no volume any more: %v", r.Kinds)
	}
}

func TestNumbersAreListed(t *testing.T) {
	after := before()
	poke(after, 7, 20, 1, 2)
	r := compare(t, before(), after)
	n := r.Regions[0].Numbers
	if len(n) != 1 || n[0].Sector != 7 || n[0].Byte != 20 || !bytes.Equal(n[0].Is, []byte{1, 2}) || !bytes.Equal(n[0].Was, read(before(), 7)[20:22]) {
		t.Errorf("%+v", n)
	}
}

// TestUnknownIsNotCompared: neither side's unknown sectors count as equal.
func TestUnknownIsNotCompared(t *testing.T) {
	known := image.NewKnown(before(), disk.Spans{{Start: 10, Count: 90}}, nil)
	after := before()
	poke(after, 20, 0, 1, 2, 3)
	for _, r := range []*Report{compare(t, known, after), compare(t, after, known)} {
		if r.Compared != total-90 || r.Changed != 0 {
			t.Errorf("%d compared, %d changed", r.Compared, r.Changed)
		}
	}
}

func TestOtherDisks(t *testing.T) {
	var size *SizeError
	if _, err := Compare(context.Background(), newDisk(t, before()), newDisk(t, imagetest.New(total+1, 512)), Options{}); !errors.As(err, &size) {
		t.Errorf("another size: %v", err)
	}
	if _, err := Compare(context.Background(), newDisk(t, imagetest.New(2000, 1024)), newDisk(t, imagetest.New(2000, 512)), Options{}); !errors.As(err, &size) {
		t.Errorf("another sector size: %v", err)
	}
	stopped, stop := context.WithCancel(context.Background())
	stop()
	if _, err := Compare(stopped, newDisk(t, before()), newDisk(t, before()), Options{}); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}

// TestEveryDifferenceIsCounted compares with a plain count, sector by sector.
func TestEveryDifferenceIsCounted(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		a, b := before(), before()
		want := map[disk.Sector]bool{}
		for range rapid.IntRange(0, 12).Draw(rt, "changes") {
			x := disk.Sector(rapid.IntRange(0, total-1).Draw(rt, "sector"))
			poke(b, x, rapid.IntRange(0, 500).Draw(rt, "byte"), rapid.SliceOfN(rapid.Byte(), 1, 12).Draw(rt, "with")...)
			want[x] = true
		}
		differ, byteCount := disk.Sector(0), int64(0)
		for x := range want {
			was, is := read(a, x), read(b, x)
			if !bytes.Equal(was, is) {
				differ++
			}
			for i := range was {
				if was[i] != is[i] {
					byteCount++
				}
			}
		}
		r := compare(t, a, b)
		got := int64(0)
		for _, g := range r.Regions {
			got += g.Bytes
		}
		if r.Changed != differ || got != byteCount || (differ == 0) != (r.Kinds[0] == Untouched) {
			rt.Fatalf("%d sectors and %d bytes differ, found %d and %d: %v", differ, byteCount, r.Changed, got, r.Kinds)
		}
	})
}
