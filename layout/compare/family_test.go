package compare

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"

	"bootgraft/image"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/compare/family"
)

// area is what the invented devices need, in sectors.
const area = 64

func dumpsOf(f *family.Family, sizes []layout.Sector) (out []Dump) {
	for i, n := range append(slices.Clone(sizes), sizes[0]) { // one size twice: another unit
		u := family.Unit{Serial: uint64(i + 1), Clock: uint64(i + 1), Songs: uint64(i + 1)}
		out = append(out, Dump{Name: fmt.Sprintf("unit %d", i), Source: f.Disk(n, u)})
	}
	return out
}

func compareFamily(t *testing.T, f *family.Family, sizes []layout.Sector) *Comparison {
	t.Helper()
	c, err := Run(context.Background(), dumpsOf(f, sizes), Options{Head: area, Tail: area})
	if err != nil {
		t.Fatalf("%s: %v", f.Name, err)
	}
	return c
}

// card puts the rendered sectors on a card that otherwise carries both areas.
func card(t *testing.T, r *Rules, src image.Source, n layout.Sector, out *Rendered) *imagetest.Disk {
	t.Helper()
	d := imagetest.New(n, r.SectorSize)
	for i := range r.Head {
		b, err := image.ReadSectors(src, layout.Span{Start: i, Count: 1})
		if err != nil {
			t.Fatal(err)
		}
		d.Put(i, b)
	}
	for i := layout.Sector(1); i <= r.Tail; i++ {
		b, err := image.ReadSectors(src, layout.Span{Start: image.Sectors(src) - i, Count: 1})
		if err != nil {
			t.Fatal(err)
		}
		d.Put(n-i, b)
	}
	for _, s := range out.Sectors {
		d.Put(s.At, s.Bytes)
	}
	return d
}

// falseProofs tells which proved fields are wrong on a card of n sectors.
func falseProofs(t *testing.T, f *family.Family, c *Comparison, n layout.Sector) (wrong []string) {
	t.Helper()
	truth := f.Disk(n, family.Unit{Serial: 1, Clock: 1, Songs: 1})
	for i := range c.Fields {
		a, err := c.Fields[i].At(n)
		if err != nil || a.State != Proved {
			continue
		}
		have := make([]byte, len(a.Bytes))
		at := int64(c.Fields[i].Place.At(n))*512 + int64(c.Fields[i].Byte)
		if err := image.ReadFull(truth, have, at); err != nil {
			t.Fatal(err)
		}
		if string(have) != string(a.Bytes) {
			wrong = append(wrong, fmt.Sprintf("%s: %s gives % x, the device has % x", c.Fields[i].Place, c.Fields[i].Ways[0].Formulas[0], a.Bytes, have))
		}
	}
	return wrong
}

// settled tells whether a card of n sectors is proved, and then accepted by
// the device; if not, why.
func settled(t *testing.T, f *family.Family, c *Comparison, n layout.Sector) error {
	t.Helper()
	src := f.Disk(c.Sizes[0], family.Unit{Serial: 1, Clock: 1, Songs: 1})
	out, err := Apply(&c.Rules, src, n)
	if err != nil {
		return err
	}
	if len(out.Findings) > 0 {
		return fmt.Errorf("%s", out.Findings[0].Text)
	}
	made := card(t, &c.Rules, src, n, out)
	if err := f.Check(made); err != nil {
		return fmt.Errorf("proved, but the device refuses it: %w", err)
	}
	return nil
}

// TestRandomFamilies finds the rules of invented devices from three to five
// sizes, the fourth and fifth as the advice asked for, out of a hundred. A
// proof must be true for every one of these sizes.
func TestRandomFamilies(t *testing.T) {
	var mu sync.Mutex
	byDumps := map[int]int{}
	seeds := need.Seeds(40, 200)
	t.Run("each", func(t *testing.T) {
		for _, seed := range seeds {
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				t.Parallel()
				n := proveFamily(t, seed)
				mu.Lock()
				byDumps[n]++
				mu.Unlock()
			})
		}
	})
	t.Logf("%d families; proved with 3, 4, 5 sizes: %d, %d, %d; not proved: %d", len(seeds), byDumps[3], byDumps[4], byDumps[5], byDumps[0])
	if byDumps[0]*100 > 2*len(seeds) {
		t.Errorf("%d of %d families were not proved", byDumps[0], len(seeds))
	}
}

// proveFamily returns with how many sizes a family was proved, 0 if it was not.
func proveFamily(t *testing.T, seed int64) int {
	f := family.Random(seed)
	all := family.Sizes(seed, 104)
	sizes, target, offered := all[:3:3], all[3], all[4:]
	for {
		c := compareFamily(t, f, sizes)
		for _, n := range all[3:] {
			for _, w := range falseProofs(t, f, c, n) {
				t.Errorf("%s, %d sizes, false proof for %d: %s", f.Name, len(sizes), n, w)
			}
		}
		err := settled(t, f, c, target)
		if err == nil {
			return len(sizes)
		}
		if len(sizes) == 5 {
			t.Logf("%s: %v", f.Name, err)
			return 0
		}
		sizes = append(sizes, c.Advise(target, offered)[0].Size)
	}
}
