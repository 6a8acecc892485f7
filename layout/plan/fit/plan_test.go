package fit

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/disk/register"
	"bootgraft/image/imagetest"
	rig "bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume/fat"
)

// opens opens what a survey of src found.
func opens(t testing.TB, src image.Source, m *layout.Map) opened {
	t.Helper()
	at, err := open(src, m)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func fatOf(t testing.TB, src image.Source, m *layout.Map, index int) *fat.Volume {
	t.Helper()
	v, err := scan.Open(src, m, index)
	if err != nil {
		t.Fatal(err)
	}
	f, _ := v.(*fat.Volume)
	return f
}

func survey(t testing.TB, src image.Source) *layout.Map {
	t.Helper()
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func size(n disk.Sector) Wishes { return Wishes{Target: plan.Size{Sectors: n, SectorSize: 512}} }

// surveyed is a source whose survey is made once.
type surveyed struct {
	image.Source
	s *layout.Map
}

// Unknown implements image.Partial.
func (s *surveyed) Unknown(w disk.Span) disk.Spans { return image.Unknown(s.Source, w) }

func once(t testing.TB, src image.Source) *surveyed { return &surveyed{src, survey(t, src)} }

// tryPlan plans a disk as its survey sees it.
func tryPlan(t testing.TB, src image.Source, w Wishes) (*plan.Plan, error) {
	t.Helper()
	made, ok := src.(*surveyed)
	if !ok {
		made = once(t, src)
	}
	p, err := Plan(context.Background(), made.Source, made.s, w)
	if err != nil && IsRefused(err) == nil {
		t.Fatalf("%d sectors: %v", w.Target.Sectors, err)
	}
	if r := IsRefused(err); r != nil {
		for _, f := range r.Need { // what is asked can be accepted, also by the page of its code
			if !register.Acceptable(f.Code) {
				t.Errorf("%s is asked, and the register says that it cannot be accepted", f.Code)
			}
		}
	}
	return p, err
}

func mustPlan(t testing.TB, src image.Source, w Wishes) *plan.Plan {
	t.Helper()
	p, err := tryPlan(t, src, w)
	if err != nil {
		t.Fatalf("%d sectors: %v", w.Target.Sectors, err)
	}
	if err := checkPlan(p, src); err != nil {
		t.Fatalf("%d sectors: %v\n%+v\n%+v", w.Target.Sectors, err, p.Pieces, p.Dropped)
	}
	return p
}

func mustCard(t testing.TB, p *plan.Plan, src image.Source) *card.Card {
	t.Helper()
	c, err := card.New(p, src)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// checkPlan tells what a plan does not keep, whatever was asked: it proves
// itself, every source sector is carried, rendered in its place or dropped
// with a reason, and what is dropped as blank is blank.
func checkPlan(p *plan.Plan, src image.Source) error {
	if err := p.Check(); err != nil {
		return err
	}
	owned := slices.Clone(image.Unknown(src, image.Whole(src))) // zeros, wherever they would go
	for _, q := range p.Pieces {
		switch {
		case q.Op == layout.Copy && q.Why != layout.WhyOtherCopy:
			owned = append(owned, disk.Span{Start: q.From, Count: q.Count})
		case q.Op == layout.Render, q.Op == layout.Zero && q.Why == layout.WhyEmptied:
			owned = append(owned, q.Span)
		case q.Op == layout.Leave && q.Why != layout.WhyExcess && q.Why != layout.WhyVolumeFree:
			return fmt.Errorf("%s is left, why %s", q.Span, q.Why)
		}
	}
	for _, d := range p.Dropped {
		owned = append(owned, d.Span)
		if err := checkDropped(d, src); err != nil {
			return err
		}
	}
	if lost := disk.NewSpans(owned...).Outside(image.Whole(src)); len(lost) > 0 {
		return fmt.Errorf("source sectors %v are neither carried nor dropped", lost)
	}
	return nil
}

func checkDropped(d plan.Dropped, src image.Source) error {
	switch d.Why {
	case "made new at the new end", "the tail was to be left behind",
		"part of a table that is not in force, let go by stale-table-cut",
		"the copy of the tail at its old address; the same sectors are copied to the new end",
		"no file uses it", "the volume was to become empty", "not known, let go by not-known-cut",
		"in use after the end of the volume in it, let go by slack-in-use":
		return nil
	case "blank, and outside what is used", "after the end of the volume in it":
	default:
		return fmt.Errorf("%s dropped, why %q", d.Span, d.Why)
	}
	c, err := scan.Look(context.Background(), src, d.Span)
	if err == nil && (c.NonBlank > 0 || c.Unread > 0) {
		err = fmt.Errorf("%s %s %s dropped as %q, but sectors in use lie in it", d.Role, d.Name, d.Span, d.Why)
	}
	return err
}

// Whatever is on the disk, a card of the same size is one copy.
func TestSameSizeIsOneCopy(t *testing.T) {
	t.Parallel()
	for _, seed := range rig.Seeds(15, 500) {
		d := disks.NewRandom(seed)
		r := rand.New(rand.NewPCG(uint64(seed), 4))
		for range r.IntN(4) * 10 { // damage of any kind, mostly none
			if _, err := d.WriteAt([]byte{byte(r.Uint32())}, r.Int64N(60*512)); err != nil {
				t.Fatal(err)
			}
		}
		src := once(t, d)
		for _, tail := range []Tail{"", TailBoth, TailEnd, TailSamePlace, TailDrop} {
			w := size(d.Sectors)
			w.Tail = tail
			p := mustPlan(t, src, w)
			if len(p.Pieces) != 1 || p.Pieces[0].Op != layout.Copy || len(p.Dropped) > 0 {
				t.Errorf("seed %d, tail %q: %+v", seed, tail, p.Pieces)
			}
			for _, f := range p.Findings {
				if f.Severity == disk.Refusal {
					t.Errorf("seed %d: a refusal in a plan that nothing stands against: %+v", seed, f)
				}
			}
		}
	}
}

// The card that a refusal names is the smallest: it plans, and one sector less
// is refused. Every choice of tail has its own.
func TestSmallestIsExact(t *testing.T) {
	t.Parallel()
	smaller := 0
	for _, seed := range rig.Seeds(5, 300) {
		d := disks.NewRandom(seed)
		src := once(t, d)
		for _, tail := range []Tail{"", TailBoth, TailEnd, TailSamePlace, TailDrop} {
			for _, accept := range [][]disk.Code{nil, {disk.UnknownVolumeCut, disk.StaleTableCut}} {
				w := size(1)
				w.Tail, w.Accept = tail, accept
				_, err := tryPlan(t, src, w)
				if err == nil {
					t.Fatalf("seed %d: a card of one sector will do for %s", seed, d)
				}
				smallest := IsRefused(err).Smallest
				w.Target.Sectors = smallest
				p := mustPlan(t, src, w)
				if err := usedArrives(d, p); err != nil {
					t.Errorf("seed %d, tail %q, accept %v: %v in %s", seed, tail, accept, err, d)
				}
				if smallest < d.Sectors {
					smaller++
				}
				w.Target.Sectors = smallest - 1
				if _, err := tryPlan(t, src, w); err == nil {
					t.Errorf("seed %d, tail %q, accept %v: %d will do as well, in %s", seed, tail, accept, smallest-1, d)
				} else if again := IsRefused(err).Smallest; again != smallest {
					t.Errorf("seed %d: the smallest is %d and %d", seed, smallest, again)
				}
			}
		}
	}
	if smaller == 0 {
		t.Error("no disk fitted a smaller card")
	}
}

// usedArrives tells whether a sector in use is missing on the smallest card: a
// tail that was to be dropped, stale tables and remade ones may be.
func usedArrives(d *disks.Random, p *plan.Plan) error {
	for _, x := range p.Dropped {
		c, err := scan.Look(context.Background(), d, x.Span)
		if err != nil || c.NonBlank > 0 && x.Role != layout.RoleTail && x.Role != layout.RoleTable &&
			x.Role != layout.RoleDisputed {
			return fmt.Errorf("%+v is dropped: %+v, %v", x, c, err)
		}
	}
	return nil
}

// A larger card, read as a disk and planned back to the original size, is the
// original sector for sector, also where two copies of the tail touch or overlap.
func TestLargerAndBack(t *testing.T) {
	t.Parallel()
	tails := 0
	for _, seed := range rig.Seeds(15, 500) {
		d := disks.NewRandom(seed)
		r := rand.New(rand.NewPCG(uint64(seed), 5))
		for _, tail := range []Tail{"", TailEnd, TailSamePlace} {
			more := disk.Sector(1 + r.IntN(9000))
			w := size(d.Sectors + more)
			w.Tail, w.Excess = tail, ExcessZero
			back := size(d.Sectors)
			back.Tail = tail
			p := mustPlan(t, d, w)
			c := mustCard(t, p, d)
			length := tailOf(p)
			if tail == TailSamePlace && d.Table == "none" {
				continue // on the card the tail is no longer the last run: it is as far away as it was, with more blank behind it
			}
			if length > 0 {
				tails++
			}
			q, err := tryPlan(t, c, back)
			if err != nil {
				t.Errorf("seed %d, tail %q, %d more: %v\n%s", seed, tail, more, err, d)
				continue
			}
			if x := differ(t, mustCard(t, q, c), d); x >= 0 {
				t.Errorf("seed %d, tail %q, %d more: sector %d differs; %s\n%+v\n%+v", seed, tail, more, x, d, p.Pieces, q.Pieces)
			}
		}
	}
	if tails == 0 {
		t.Error("no tail went there and back")
	}
}

// tailOf returns how many sectors went to the new end.
func tailOf(p *plan.Plan) (n disk.Sector) {
	for _, q := range p.Pieces {
		if q.Why == layout.WhyTailMoved {
			n += q.Count
		}
	}
	return n
}

// differ returns the first sector in which two sources differ, or -1.
func differ(t testing.TB, a, b image.Source) disk.Sector {
	t.Helper()
	if a.Size() != b.Size() {
		t.Fatalf("%d and %d bytes", a.Size(), b.Size())
	}
	x, err := image.ReadSectors(a, image.Whole(a))
	if err != nil {
		t.Fatal(err)
	}
	y, err := image.ReadSectors(b, image.Whole(b))
	if err != nil {
		t.Fatal(err)
	}
	n := a.SectorSize()
	for i := range image.Sectors(a) {
		if !bytes.Equal(x[int(i)*n:][:n], y[int(i)*n:][:n]) {
			return i
		}
	}
	return -1
}

// On a card of any size that plans, what the plan was made from is still
// there: the same table in force, each entry at its start with its volume.
func TestPlannedCardHasTheSameEntries(t *testing.T) {
	t.Parallel()
	for _, seed := range rig.Seeds(15, 500) {
		d := disks.NewRandom(seed)
		s := survey(t, d)
		r := rand.New(rand.NewPCG(uint64(seed), 6))
		for range 4 {
			w := size(d.Sectors/3 + disk.Sector(r.IntN(int(d.Sectors))))
			p, err := tryPlan(t, d, w)
			if err != nil {
				continue
			}
			if err := checkPlan(p, d); err != nil {
				t.Fatalf("seed %d: %v in %s", seed, err, d)
			}
			got := survey(t, mustCard(t, p, d))
			if got.Table != s.Table || len(got.Entries) != len(s.Entries) {
				t.Fatalf("seed %d: table %s with %d entries, was %s with %d", seed, got.Table, len(got.Entries), s.Table,
					len(s.Entries))
			}
			for i, e := range s.Entries {
				g := got.Entries[i]
				same := func(v *layout.Volume) string { return fmt.Sprint(v != nil && v.Sized, v != nil && v.Count > 0) }
				if g.Start != e.Start || g.Type != e.Type || g.Count > e.Count || g.End() > w.Target.Sectors &&
					e.End() <= d.Sectors || same(s.Volume(e.Index)) != same(got.Volume(e.Index)) {
					t.Errorf("seed %d: entry %+v, was %+v; card of %d, %s", seed, g, e, w.Target.Sectors, d)
				}
			}
		}
	}
}

func TestPlanningIsDeterministic(t *testing.T) {
	for _, seed := range rig.Seeds(5, 200) {
		d := disks.NewRandom(seed)
		var digests []string
		for range 3 {
			p := mustPlan(t, d, size(d.Sectors+5000))
			sum, err := p.Digest()
			if err != nil {
				t.Fatal(err)
			}
			digests = append(digests, sum)
		}
		if len(slices.Compact(digests)) != 1 {
			t.Errorf("seed %d: %v", seed, digests)
		}
	}
}

func TestFailedReadIsNoRefusal(t *testing.T) {
	d := imagetest.New(9000, 512)
	disks.MBR(d, disks.Entry{Span: disk.Span{Start: 100, Count: 3000}, Type: 0xDA})
	disks.Noise(d, disk.Span{Start: 200, Count: 5}, 1)
	s := survey(t, d)
	broken := errors.New("the drive said no")
	for _, x := range []disk.Sector{0, 300} {
		w := size(2000)
		w.Accept = []disk.Code{disk.UnknownVolumeCut}
		_, err := Plan(context.Background(), &imagetest.Faulty{Source: d, Bad: disk.Spans{{Start: x, Count: 1}}, Err: broken},
			s, w)
		if !errors.Is(err, broken) || IsRefused(err) != nil {
			t.Errorf("sector %d: %v", x, err)
		}
	}
}
