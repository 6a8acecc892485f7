package compare

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare/family"
)

// area is what the invented devices need, in sectors.
const area = 64

func dumpsOf(f *family.Family, sizes []disk.Sector) (out []Dump) {
	for i, n := range append(slices.Clone(sizes), sizes[0]) { // one size twice: another unit
		u := family.Unit{Serial: uint64(i + 1), Clock: uint64(i + 1), Songs: uint64(i + 1)}
		out = append(out, Dump{Name: fmt.Sprintf("unit %d", i), Source: f.Disk(n, u)})
	}
	return out
}

func compareFamily(t *testing.T, f *family.Family, sizes []disk.Sector) *Comparison {
	t.Helper()
	c, err := Run(context.Background(), dumpsOf(f, sizes), Options{Head: area, Tail: area})
	if err != nil {
		t.Fatalf("%s: %v", f.Name, err)
	}
	return c
}

// card puts the rendered sectors on a card that otherwise carries both areas.
func card(t *testing.T, r *Rules, src image.Source, n disk.Sector, out *Rendered) *imagetest.Disk {
	t.Helper()
	d := imagetest.New(n, r.SectorSize)
	for i := range r.Head {
		b, err := image.ReadSectors(src, disk.Span{Start: i, Count: 1})
		if err != nil {
			t.Fatal(err)
		}
		d.Put(i, b)
	}
	for i := disk.Sector(1); i <= r.Tail; i++ {
		b, err := image.ReadSectors(src, disk.Span{Start: image.Sectors(src) - i, Count: 1})
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

// foreign is a unit that no comparison has seen.
var foreign = family.Unit{Serial: 77, Clock: 78, Songs: 79}

// falseProofs tells which proved rules are wrong on a disk of n sectors that
// the device itself made.
func falseProofs(t *testing.T, f *family.Family, c *Comparison, n disk.Sector) (wrong []string) {
	t.Helper()
	a := &applier{r: &c.Rules, src: f.Disk(n, foreign), old: n, n: n}
	at := func(p candidate.Place) []byte {
		b, err := a.source(p)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for i := range c.Fields {
		x := &c.Fields[i]
		answer, err := c.Answer(x, n)
		if err != nil || answer.State != Proved {
			continue
		}
		if have := at(x.Place)[answer.Byte:][:answer.Width]; !bytes.Equal(have, answer.Bytes) {
			wrong = append(wrong, fmt.Sprintf("%s: %s gives % x, the device has % x", x.Place, x.Ways[0].Formulas[0],
				answer.Bytes, have))
		}
	}
	for i := range c.Checks {
		k := &c.Checks[i]
		want, err := a.sum(k.Ways[0], k)
		if err != nil {
			t.Fatal(err)
		}
		if have := at(k.Place)[k.Byte:][:k.Width]; k.State() == Proved && !bytes.Equal(have, want) {
			wrong = append(wrong, fmt.Sprintf("%s: %s gives % x, the device has % x", k.Place, k.Ways[0].Sum, want, have))
		}
	}
	for i := range c.Copies {
		for x := range c.Copies[i].Count {
			if of, to := c.Copies[i].Pair(x); !c.Copies[i].equal(at(of), at(to), x) {
				wrong = append(wrong, fmt.Sprintf("%s does not repeat %s", to, of))
			}
		}
	}
	return wrong
}

// errUnproved says that a rule does not decide a card.
var errUnproved = errors.New("not decided")

// settled tells whether a card of n sectors, made from a unit never seen, is
// proved; then the device must accept it, and refuse it with one copy left as
// it was.
func settled(t *testing.T, f *family.Family, c *Comparison, n disk.Sector) error {
	t.Helper()
	src := f.Disk(c.Sizes[0], foreign)
	out, err := Apply(&c.Rules, src, n)
	if err != nil {
		return err
	}
	if len(out.Undecided) > 0 {
		return fmt.Errorf("%w: %s", errUnproved, out.Undecided[0].Text)
	}
	if err := f.Check(card(t, &c.Rules, src, n, out)); err != nil {
		t.Errorf("%s\n%d sectors: proved, but the device refuses it: %v", f, n, err)
		return err
	}
	refusesStaleCopies(t, f, c, src, n, out)
	return nil
}

// refusesStaleCopies leaves each copy that the rules change as it was in turn,
// and at last everything: the device must notice.
func refusesStaleCopies(t *testing.T, f *family.Family, c *Comparison, src image.Source, n disk.Sector, out *Rendered) {
	t.Helper()
	for _, pair := range f.Twins() {
		at := n - disk.Sector(pair[1])
		less := *out
		less.Sectors = slices.DeleteFunc(slices.Clone(out.Sectors), func(s RenderedSector) bool {
			old, err := image.ReadSectors(src, disk.Span{Start: s.From, Count: 1})
			return err == nil && s.At == at && !bytes.Equal(old, s.Bytes)
		})
		if len(less.Sectors) == len(out.Sectors) {
			continue // it does not follow the size
		}
		if err := f.Check(card(t, &c.Rules, src, n, &less)); err == nil {
			t.Errorf("%s: the device takes a card whose copy %d before the end is old", f.Name, pair[1])
		}
	}
	if err := f.Check(card(t, &c.Rules, src, n, &Rendered{})); err == nil {
		t.Errorf("%s: the device takes a card that names the old size", f.Name)
	}
}

// seeds returns the seeds of a random suite: a fifth of the few under the race
// detector, which runs with -short.
func seeds(few, many int) []int64 {
	s := need.Seeds(few, many)
	if testing.Short() {
		s = s[:few/5]
	}
	return s
}

// TestRandomFamilies finds the rules of invented devices from three to five
// sizes, the fourth and fifth as the advice asked for, out of many. A
// proof must be true for every size tried.
func TestRandomFamilies(t *testing.T) {
	var mu sync.Mutex
	byDumps := map[int]int{}
	list := seeds(40, 200)
	t.Run("each", func(t *testing.T) {
		for _, seed := range list {
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				t.Parallel()
				n := proveFamily(t, seed)
				mu.Lock()
				byDumps[n]++
				mu.Unlock()
			})
		}
	})
	t.Logf("%d families; proved with 3, 4, 5 sizes: %d, %d, %d; not proved: %d", len(list), byDumps[3], byDumps[4],
		byDumps[5], byDumps[0])
	if byDumps[0]*100 > 2*len(list) {
		t.Errorf("%d of %d families were not proved", byDumps[0], len(list))
	}
}

// proveFamily returns with how many sizes a family was proved, 0 if it was not.
func proveFamily(t *testing.T, seed int64) int {
	f := family.Random(seed)
	all := family.Sizes(seed, 104)
	sizes, target, offered := all[:3:3], all[3], all[4:]
	for i := range disk.Sector(64) { // cards of the same nominal size
		offered = append(offered, target-8*(i+1))
	}
	for {
		c := compareFamily(t, f, sizes)
		for _, n := range all[3:34] {
			for _, w := range falseProofs(t, f, c, n) {
				t.Errorf("%s\n%d sizes, false proof for %d: %s", f, len(sizes), n, w)
			}
		}
		err := settled(t, f, c, target)
		if err == nil {
			return len(sizes)
		}
		if len(sizes) == 5 {
			t.Logf("%s\nfor %d: %v", f, target, err)
			return 0
		}
		sizes = append(sizes, c.Advise(target, offered)[0].Size)
	}
}
