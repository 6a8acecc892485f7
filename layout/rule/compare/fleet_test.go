package compare

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/rule/compare/fleet"
)

// fleetArea is what the models of the fleet need at either end, in sectors.
const fleetArea = 64

// tally counts what became of numbers and cards.
type tally struct {
	sync.Mutex
	cards                               int
	numbers, right, wrong               int // numbers that are proved
	unasked, unaskedWrong               int
	asked, first, third, never, refused int
	bestFirst, bestThird                int // of who knows how models are drawn
}

func (t *tally) String() string {
	share := func(tried int) float64 {
		return 100 * float64(t.unasked-t.unaskedWrong+tried) / float64(max(1, t.cards))
	}
	text := fmt.Sprintf("%d cards; %d numbers, proved %d right, %d wrong; unasked %d, of these wrong %d; "+
		"asked %d: at the first try %d, within three %d, never %d; refused %d; "+
		"right at first %.1f %%, within three %.1f %%",
		t.cards, t.numbers, t.right, t.wrong, t.unasked, t.unaskedWrong,
		t.asked, t.first, t.third, t.never, t.refused, share(t.first), share(t.third))
	if t.bestThird > 0 {
		of := func(n int) float64 { return 100 * float64(n) / float64(max(1, t.cards)) }
		text += fmt.Sprintf("; who knows how models are drawn is right at first in %.1f %%, within three in %.1f %%",
			of(t.bestFirst), of(t.bestThird))
	}
	return text
}

// TestFleet: models with the sizes of real drives and cards. What is proved is
// true; a card that the model refuses is asked about first, and the tries that
// are listed reach it.
func TestFleet(t *testing.T) {
	sums := map[fleet.Reach]*tally{fleet.Plain: {}, fleet.Nested: {}, fleet.Beyond: {}}
	t.Run("each", func(t *testing.T) {
		for _, seed := range seeds(50, 500) {
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				t.Parallel()
				m := fleet.Random(seed)
				r := rand.New(rand.NewPCG(uint64(seed), 0x5E7))
				sizes := fleet.Originals(r, int(seed)/6%fleet.Sets)
				c := compareFleet(t, m, sizes)
				for range 4 {
					judgeFleet(t, m, c, fleet.Card(r, sizes), sums[m.Reach])
				}
			})
		}
	})
	cards, wrong := 0, 0
	for _, reach := range []fleet.Reach{fleet.Plain, fleet.Nested, fleet.Beyond} {
		x := sums[reach]
		t.Logf("%s: %s", reach, x)
		cards, wrong = cards+x.cards, wrong+x.unaskedWrong
	}
	if testing.Short() { // so few models have no percentages
		return
	}
	if wrong*100 > 2*cards {
		t.Errorf("%d of %d cards were made unasked, and the model refuses them", wrong, cards)
	}
	for reach, least := range map[fleet.Reach][2]int{fleet.Plain: {88, 95}, fleet.Nested: {50, 65}} {
		x := sums[reach]
		right := x.unasked - x.unaskedWrong
		if (right+x.first)*100 < least[0]*x.cards || (right+x.third)*100 < least[1]*x.cards {
			t.Errorf("%s: the tries reach too little: %s", reach, x)
		}
	}
}

// fleetTail is how far before the end of a disk the tail of a model may begin.
func fleetTail(m *fleet.Model) disk.Sector { return fleetArea + m.Away }

func compareFleet(t *testing.T, m *fleet.Model, sizes []disk.Sector) *Comparison {
	t.Helper()
	var dumps []Dump
	for i, n := range sizes {
		dumps = append(dumps, Dump{Name: fmt.Sprint(i), Source: m.Disk(n, fleet.Unit(i+1))})
	}
	c, err := Run(context.Background(), dumps, Options{Head: fleetArea, Tail: fleetTail(m)})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// judgeFleet makes a card of n sectors from the first original, as a person would
// who is asked, and notes what the model says of it.
func judgeFleet(t *testing.T, m *fleet.Model, c *Comparison, n disk.Sector, sum *tally) {
	t.Helper()
	const unit = fleet.Unit(1)
	src := m.Disk(c.sizes0(), unit)
	sum.Lock()
	defer sum.Unlock()
	sum.cards++
	provedFleet(t, m, c, n, sum)
	sum.best(m, c.sizes, n)
	rules := c.Likeliest(n)
	out, err := Apply(rules, src, n)
	if err != nil {
		sum.refused++
		t.Logf("%s\noriginals %v, card %d: refused: %v", m, c.sizes, n, err)
		return
	}
	started := func(r *Rules) error {
		out, err := Apply(r, src, n)
		if err != nil {
			return err
		}
		return m.Start(fleetCard(t, r, src, n, out), unit)
	}
	err = m.Start(fleetCard(t, rules, src, n, out), unit)
	if len(out.Undecided)+len(out.Questions) == 0 {
		sum.unasked++
		if err != nil {
			sum.unaskedWrong++
			t.Logf("%s\noriginals %v, card %d: UNASKED and wrong: %v", m, c.sizes, n, err)
		}
		return
	}
	sum.asked++
	for i, try := range c.Tries(n, true) {
		if started(try.Rules) == nil {
			if i == 0 {
				sum.first++
			}
			if i < 3 {
				sum.third++
			}
			if i > 0 {
				t.Logf("%s\noriginals %v, card %d: right at try %d; first: %v", m, c.sizes, n, i+1, err)
			}
			return
		}
	}
	sum.never++
	t.Logf("%s\noriginals %v, card %d: never right: %v", m, c.sizes, n, err)
}

// TestSizeLessAFixedPart: a device that counts with less than the sectors of its disk,
// always by as many, needs no world of its own: what is taken away stands in its
// formulas, and what it finds at its end lies that far before the last sector.
func TestSizeLessAFixedPart(t *testing.T) {
	sum := &tally{}
	for _, seed := range seeds(10, 100) {
		m := fleet.Less(seed)
		r := rand.New(rand.NewPCG(uint64(seed), 0x1E55))
		sizes := fleet.Originals(r, int(seed)%fleet.Sets)
		c := compareFleet(t, m, sizes)
		for range 4 {
			judgeFleet(t, m, c, fleet.Card(r, sizes), sum)
		}
	}
	t.Log(sum)
	right := sum.unasked - sum.unaskedWrong
	switch {
	case sum.wrong > 0 || sum.unaskedWrong*100 > 2*sum.cards:
		t.Errorf("what was made unasked or is called proved is wrong: %s", sum)
	case !testing.Short() && ((right+sum.first)*100 < 72*sum.cards || (right+sum.third)*100 < 82*sum.cards):
		t.Errorf("the tries reach too little: %s", sum)
	}
}

// best notes when the best of all orders would reach the card.
func (t *tally) best(m *fleet.Model, originals []int64, n disk.Sector) {
	var sizes []disk.Sector
	for _, s := range originals {
		sizes = append(sizes, disk.Sector(s))
	}
	outcomes, truth := m.Best(sizes, n)
	for i, o := range outcomes[:min(3, len(outcomes))] {
		if o.Text == truth {
			t.bestThird++
			if i == 0 {
				t.bestFirst++
			}
		}
	}
}

func (c *Comparison) sizes0() disk.Sector { return disk.Sector(c.sizes[0]) }

// provedFleet compares every number that is proved with what the model writes.
func provedFleet(t *testing.T, m *fleet.Model, c *Comparison, n disk.Sector, sum *tally) {
	t.Helper()
	want := m.Disk(n, 1)
	for i := range c.Fields {
		f := &c.Fields[i]
		sum.numbers++
		a, err := c.Answer(f, n)
		if err != nil || a.State != Proved {
			continue
		}
		at := f.Sector
		if f.From == layout.FromEnd {
			at = m.Count(n) - f.Sector
		}
		b, err := image.ReadSectors(want, disk.Span{Start: at, Count: 1})
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Equal(b[a.Byte:a.Byte+a.Width], a.Bytes) {
			sum.right++
			continue
		}
		sum.wrong++
		t.Errorf("%s\noriginals %v, card %d, %s: %s = %d is called proved, the model has % x", m, c.sizes, n, f.Place,
			a.Formula, a.Value, b[a.Byte:a.Byte+a.Width])
	}
}

// fleetCard puts the rendered sectors on a card that otherwise has the head where
// it was, and the tail before the end that counts.
func fleetCard(t *testing.T, r *Rules, src image.Source, n disk.Sector, out *Rendered) *imagetest.Disk {
	t.Helper()
	d := imagetest.New(n, r.SectorSize)
	old := r.Counted(image.Sectors(src))
	put := func(to, from disk.Sector, count disk.Sector) {
		b, err := image.ReadSectors(src, disk.Span{Start: from, Count: count})
		if err != nil {
			t.Fatal(err)
		}
		d.Put(to, b)
	}
	put(r.Counted(n)-r.Tail, old-r.Tail, r.Tail)
	put(0, 0, r.Head)
	for _, s := range out.Sectors {
		d.Put(s.At, s.Bytes)
	}
	return d
}
