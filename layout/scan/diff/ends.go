package diff

import (
	"bytes"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// reach is how far from either end copies are looked for, in bytes.
const reach = 64 << 20

// end is a changed sector of a boot area.
type end struct {
	at      disk.Sector
	region  int
	was, is []byte
}

// quarters is into how many parts a sector is cut to be recognised: a copy may
// have a number of its own.
const quarters = 4

// part names one part of a sector, in one byte order.
type part struct {
	index int
	bytes string
}

// fromOtherEnd looks for changed sectors that now hold what a sector at the
// other end of the disk held before, in any byte order: every byte that
// changed has become that of the other one.
func (w *work) fromOtherEnd() error {
	if len(w.ends) == 0 {
		return nil
	}
	half := w.out.Sectors / 2
	area := min(disk.Sector(reach/w.size), half)
	for _, side := range []struct {
		mine, other disk.Span
	}{
		{disk.Span{Count: half}, disk.Span{Start: w.out.Sectors - area, Count: area}},
		{disk.Between(half, w.out.Sectors), disk.Span{Count: area}},
	} {
		wanted := w.partsOf(side.mine)
		if len(wanted) == 0 {
			continue
		}
		if err := w.find(wanted, side.other); err != nil {
			return err
		}
	}
	return nil
}

// partsOf lists the parts of the changed sectors of one side.
func (w *work) partsOf(side disk.Span) map[part][]int {
	out := map[part][]int{}
	n := int(w.size) / quarters
	for i, e := range w.ends {
		if !side.Holds(e.at) {
			continue
		}
		for q := range quarters {
			p := part{q, string(e.is[q*n : (q+1)*n])}
			if len(bytes.Trim([]byte(p.bytes), "\x00")) > 0 && len(out[p]) < quarters {
				out[p] = append(out[p], i)
			}
		}
	}
	return out
}

// find looks for the parts among the sectors of a span of the disk before.
func (w *work) find(wanted map[part][]int, span disk.Span) error {
	restored := map[int]bool{}
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
				w.match(b[i:i+int(w.size)], wanted, restored)
			}
		}
	}
	for e := range restored {
		w.out.Regions[w.ends[e].region].Restored++
		if w.ends[e].at < w.out.Sectors/2 {
			w.headRestored++
		} else {
			w.tailRestored++
		}
	}
	return nil
}

// match looks whether changed sectors have become this one, in any byte order.
func (w *work) match(sector []byte, wanted map[part][]int, restored map[int]bool) {
	n := len(sector) / quarters
	for _, order := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
		other := bytes.Clone(sector)
		order.Turn(other)
		for q := range quarters {
			for _, e := range wanted[part{q, string(other[q*n : (q+1)*n])}] {
				if w.ends[e].became(other) {
					restored[e] = true
				}
			}
		}
	}
}

// became tells whether every byte that changed has become that of other.
func (e *end) became(other []byte) bool {
	for i := range e.was {
		if e.was[i] != e.is[i] && e.is[i] != other[i] {
			return false
		}
	}
	return true
}
