package diff

import (
	"bytes"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// reach is how far from either end copies are looked for, in bytes: as long as a
// boot area is taken to be at most. By hand, no source.
const reach = 64 << 20

// end is a changed sector of a boot area.
type end struct {
	at       disk.Sector
	region   int
	was, is  []byte
	open     []bool // bytes that changed, and that nothing explains yet
	taken    []bool // bytes that a reading claims
	repeated bool   // its changes are those of another sector
}

func newEnd(at disk.Sector, region int, was, is []byte) end {
	e := end{at: at, region: region, was: bytes.Clone(was), is: bytes.Clone(is), open: make([]bool, len(is)),
		taken: make([]bool, len(is))}
	for i := range is {
		e.open[i] = was[i] != is[i]
	}
	return e
}

// isFree tells whether no reading claims any of some bytes.
func (e *end) isFree(at, n int) bool { return !slices.Contains(e.taken[at:at+n], true) }

// claim notes that a reading claims some bytes; explained tells whether it
// says enough about why they changed.
func (e *end) claim(at, n int, explained bool) {
	for i := at; i < at+n; i++ {
		e.taken[i] = true
		e.open[i] = e.open[i] && !explained
	}
}

// cut tells whether a run of changed bytes goes on beyond some bytes.
func (e *end) cut(at, n int) bool {
	return at > 0 && e.open[at] && e.open[at-1] || at+n < len(e.open) && e.open[at+n-1] && e.open[at+n]
}

// left counts the bytes that changed and that nothing explains.
func (e *end) left() (n int) {
	for _, o := range e.open {
		if o {
			n++
		}
	}
	return n
}

// Copy says that a sector that changed now holds what another one held before.
type Copy struct {
	Sector disk.Sector
	Of     disk.Sector
	Order  image.Order
	Bytes  int // how many of the bytes that changed are now those of the other

	same []bool // which ones
	left int    // bytes that changed and are not: a checksum or a number of its own
}

// A copy may keep so many bytes of its own, if at least so many others that are
// no blanks have become those of the other: room for a number and a checksum of
// 16 bits or a number of 32. By hand, no source.
const (
	mostOwn   = 6
	leastSame = 2
)

// quarters is into how many parts a sector is cut to be recognised: a copy may
// have a number of its own, in one or two of four. By hand, no source.
const quarters = 4

// part names one part of a sector, in one byte order.
type part struct {
	index int
	bytes string
}

// orders are the byte orders in which copies lie.
var orders = [...]image.Order{image.Plain, image.Swap16, image.Swap32}

// findCopies looks for changed sectors that now hold what another sector held
// before, near either end of the disk and in any byte order: the bytes
// that changed have become those of the other one.
func (w *work) findCopies() error {
	wanted := w.partsOf()
	if len(wanted) == 0 {
		return nil
	}
	half := w.out.Sectors / 2
	area := min(disk.Sector(reach/w.size), half)
	best := map[int]Copy{}
	for _, s := range []disk.Span{{Count: area}, {Start: w.out.Sectors - area, Count: area}} {
		if err := w.find(wanted, s, best); err != nil {
			return err
		}
	}
	for i := range w.ends {
		c, ok := best[i]
		if !ok {
			continue
		}
		w.out.Copies = append(w.out.Copies, c)
		w.ends[i].copied(&c)
		w.markCopied(&w.ends[i], &c)
		switch mine, other := c.Sector < half, c.Of < half; {
		case mine == other:
			w.nearRestored++
			continue
		case mine:
			w.headRestored++
		default:
			w.tailRestored++
		}
		w.out.Regions[w.ends[i].region].Restored++
	}
	return nil
}

// partsOf lists the parts of the changed sectors that are no filling.
func (w *work) partsOf() map[part][]int {
	out := map[part][]int{}
	n := int(w.size) / quarters
	for i, e := range w.ends {
		for q := range quarters {
			p := part{q, string(e.is[q*n : (q+1)*n])}
			if !uniform(p.bytes) && len(out[p]) < quarters {
				out[p] = append(out[p], i)
			}
		}
	}
	return out
}

func uniform(s string) bool { return len(s) == 0 || s[1:] == s[:len(s)-1] }

// find looks for the parts among the sectors of a span of the disk before.
func (w *work) find(wanted map[part][]int, span disk.Span, best map[int]Copy) error {
	known := disk.NewSpans(image.Unknown(w.before.Source, span)...).Outside(span)
	step := disk.Sector(chunk / w.size)
	for _, k := range known {
		for x := w.skip(k.Start); x < k.End(); x = w.skip(x + step) {
			if err := w.ctx.Err(); err != nil {
				return err
			}
			s := disk.Between(x, min(x+step, k.End()))
			b, err := image.ReadSectors(w.before.Source, s)
			if err != nil {
				return fmt.Errorf("reading sectors %s of the disk before: %w", s, err)
			}
			for i := 0; i < len(b); i += int(w.size) {
				w.match(s.Start+disk.Sector(i)/disk.Sector(w.size), b[i:i+int(w.size)], wanted, best)
			}
		}
	}
	return nil
}

// match looks whether changed sectors have become this one, in any byte order.
// Of several, the one that explains most counts, and then one at the other end of
// the disk: it says more.
func (w *work) match(x disk.Sector, sector []byte, wanted map[part][]int, best map[int]Copy) {
	half := w.out.Sectors / 2
	eachMatch(sector, wanted, func(i int, order image.Order, other []byte) {
		e := &w.ends[i]
		if e.at == x {
			return
		}
		c := e.became(other)
		if c == nil {
			return
		}
		old, there := best[i]
		farther := (old.Of < half) == (e.at < half) && (x < half) != (e.at < half)
		if !there || c.left < old.left || c.left == old.left && farther {
			c.Sector, c.Of, c.Order = e.at, x, order
			best[i] = *c
		}
	})
}

// copied claims the bytes that a copy explains.
func (e *end) copied(c *Copy) {
	for i, s := range c.same {
		if s {
			e.claim(i, 1, true)
		}
	}
}

// markCopied marks the numbers of which every byte that changed came from
// another sector: who copies them has not asked the card for its size.
func (w *work) markCopied(e *end, c *Copy) {
	for i := range w.out.Readings {
		r := &w.out.Readings[i]
		if r.Sector != c.Sector {
			continue
		}
		r.Copied = true
		for k := r.Byte; k < r.Byte+r.Width; k++ {
			r.Copied = r.Copied && (c.same[k] || e.was[k] == e.is[k])
		}
	}
}

// eachMatch visits the sectors of which a part is that of this one.
func eachMatch(sector []byte, wanted map[part][]int, visit func(i int, order image.Order, other []byte)) {
	n := len(sector) / quarters
	for _, order := range orders {
		other := bytes.Clone(sector)
		order.Turn(other)
		for q := range quarters {
			for _, i := range wanted[part{q, string(other[q*n : (q+1)*n])}] {
				visit(i, order, other)
			}
		}
	}
}

// became compares the runs of bytes that changed with those of other; nil if too
// few of them have become the same. A run of which only some bytes have is one of
// its own: a checksum.
func (e *end) became(other []byte) *Copy {
	c := &Copy{same: make([]bool, len(e.is))}
	telling := 0
	for i := 0; i < len(e.is); i++ {
		j := i
		for j < len(e.is) && e.was[j] != e.is[j] {
			j++
		}
		if j == i {
			continue
		}
		if !bytes.Equal(e.is[i:j], other[i:j]) {
			if c.left += j - i; c.left > mostOwn {
				return nil
			}
		} else {
			c.Bytes += j - i
			for k := i; k < j; k++ {
				c.same[k] = true
				if e.is[k] != 0 && e.is[k] != 0xFF {
					telling++
				}
			}
		}
		i = j
	}
	if c.Bytes == 0 || c.left > 0 && telling < leastSame {
		return nil
	}
	return c
}

// findTwins finds sectors that changed as another one did, in any byte order:
// what explains the one explains the other, and one counter is not two.
func (w *work) findTwins() error {
	wanted := w.partsOf()
	for i := range w.ends {
		e := &w.ends[i]
		eachMatch(e.is, wanted, func(j int, _ image.Order, other []byte) {
			t := &w.ends[j]
			if j == i || t.repeated || e.repeated || t.left() == 0 {
				return
			}
			if c := t.became(other); c == nil || c.left > 0 {
				return
			}
			t.repeated = true
			t.claim(0, len(t.is), true)
		})
	}
	return nil
}
