package candidate_test

import (
	"context"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare/family"
)

// fuzzHead is how many bytes of the head of a disk are looked at: the time of a
// look grows with the sectors that are not blank, and three of them already hold
// a field, its copy and a checksum.
const fuzzHead = 3 << 9

// Whatever the bytes, and wherever they are not known, a look ends soon, stays
// inside the disk, and says nothing that it does not find true itself.
func FuzzLook(f *testing.F) {
	for i, x := range family.Named() {
		d := x.Disk(family.NamedSizes()[i%5], family.Unit{Serial: 1, Songs: 2})
		f.Add(imagetest.Head(f, d, fuzzHead), uint32(image.Sectors(d)), byte(i), uint16(i*9))
	}
	f.Add(imagetest.Head(f, chained(1_179_841), fuzzHead), uint32(1_179_841), byte(1), uint16(0))
	f.Fuzz(func(t *testing.T, head []byte, sectors uint32, per byte, lost uint16) {
		size := 512 << (per % 4)
		d := imagetest.Headed(head[:min(len(head), fuzzHead)], disk.Sector(1+sectors%(1<<21)), size)
		var src image.Source = d
		if lost > 0 {
			src = image.NewKnown(d, disk.Spans{{Start: disk.Sector(lost % 64), Count: 1 + disk.Sector(lost%7)}}, nil)
		}
		n := image.Sectors(src)
		begun := time.Now()
		r, err := candidate.Look(context.Background(), src, ends(src))
		if err != nil {
			t.Fatal(err)
		}
		if took := time.Since(begun); took > 20*time.Second {
			t.Errorf("it took %s", took)
		}
		fieldsStand(t, src, r.Fields)
		for _, x := range r.Invariants() {
			if ok, err := x.Holds(src); !ok || err != nil {
				t.Errorf("%s: %v %v", x.Text(), ok, err)
			}
			if s := x.Sectors(n); len(s) == 0 || s[0].Start < 0 || s[len(s)-1].End() > n {
				t.Errorf("%s is about %v of %d sectors", x.Text(), s, n)
			}
		}
		var at disk.Sector
		for _, s := range r.Structures {
			if s.Start < at || s.Empty() || s.End() > n {
				t.Fatalf("structure %s after %d", s.Span, at)
			}
			at = s.End()
		}
	})
}

// fieldsStand wants every number where it is said to stand.
func fieldsStand(t *testing.T, src image.Source, fields []layout.Field) {
	t.Helper()
	for _, x := range fields {
		b, err := image.ReadSectors(src, disk.Span{Start: x.Sector, Count: 1})
		if err != nil {
			t.Fatal(err)
		}
		form, err := candidate.FormOf(candidate.Encoding(x.Encoding))
		if err != nil {
			t.Fatal(err)
		}
		if v, ok := form.Decode(b[x.Offset : x.Offset+x.Width]); !ok || v != x.Value || x.ByChance > candidate.Bar {
			t.Errorf("%+v, but %d stands there", x, v)
		}
	}
}
