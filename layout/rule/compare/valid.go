package compare

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// Check tells what is wrong with the rules, if anything.
func (r *Rules) Check() error {
	if err := cmp.Or(disk.CheckWriter(r.WrittenBy), image.CheckSectorSize(r.SectorSize)); err != nil {
		return fmt.Errorf("rules: %w", err)
	}
	if r.Head < 0 || r.Tail < 0 || r.Head > maxArea || r.Tail > maxArea {
		return fmt.Errorf("rules: areas of %d and %d sectors", r.Head, r.Tail)
	}
	if len(r.Counts) > maxCounts {
		return fmt.Errorf("rules: %d sizes with which a device may count", len(r.Counts))
	}
	if i := slices.IndexFunc(r.Counts, func(c Count) bool { return !c.valid() }); i >= 0 {
		return fmt.Errorf("rules: a device does not count %s", r.Counts[i])
	}
	if len(r.Fields) > maxFields || len(r.Copies) > maxCopies || len(r.Checks) > maxChecks || len(r.Carried) > maxCarried {
		return fmt.Errorf("rules: %d numbers, %d copies, %d checksums and %d runs of other bytes are more than originals "+
			"of one model have",
			len(r.Fields), len(r.Copies), len(r.Checks), len(r.Carried))
	}
	for i := range r.Fields {
		if err := r.checkField(&r.Fields[i]); err != nil {
			return fmt.Errorf("rules: the field at %s: %w", r.Fields[i].Place, err)
		}
	}
	copied, summed := disk.Sector(0), int64(0)
	for i := range r.Copies {
		if err := r.checkCopy(&r.Copies[i]); err != nil {
			return fmt.Errorf("rules: the copy at %s: %w", r.Copies[i].To, err)
		}
		copied += r.Copies[i].Count
	}
	for i := range r.Checks {
		if err := r.checkSum(&r.Checks[i]); err != nil {
			return fmt.Errorf("rules: the checksum at %s: %w", r.Checks[i].Place, err)
		}
		for _, w := range r.Checks[i].Ways {
			summed += w.Count
		}
	}
	if copied > maxCopies || summed > maxSummed {
		return fmt.Errorf("rules: %d sectors of copies and %d bytes under checksums", copied, summed)
	}
	for _, s := range r.Carried {
		if s.Count < 1 || s.Count > maxArea*r.SectorSize || !r.inside(s.Place) ||
			!r.inside(r.lastSector(s.Place, int64(s.Count))) {
			return fmt.Errorf("rules: bytes carried at %s: outside the areas compared", s.Place)
		}
	}
	return nil
}

// inside tells whether a place lies in the areas compared.
func (r *Rules) inside(p candidate.Place) bool {
	if p.Byte < 0 || p.Byte >= r.SectorSize {
		return false
	}
	switch p.From {
	case layout.FromStart:
		return p.Sector >= 0 && p.Sector < r.Head
	case layout.FromEnd:
		return p.Sector >= 1 && p.Sector <= r.Tail
	}
	return false
}

// lastSector returns the sector of the last of count bytes from p on.
func (r *Rules) lastSector(p candidate.Place, count int64) candidate.Place {
	return p.SectorStart().After(disk.Sector((int64(p.Byte) + count - 1) / int64(r.SectorSize)))
}

func (r *Rules) checkField(f *Field) error {
	if !r.inside(f.Place) || f.Class != Size && f.Class != Address {
		return fmt.Errorf("class %q, outside the areas or no field", f.Class)
	}
	for g := range r.chain(f) { // every number follows from the size in the end
		if g == nil {
			return errors.New("it follows from a number that is none, from itself, or from too many others")
		}
	}
	for i, w := range f.Ways {
		form, err := candidate.FormOf(w.Encoding)
		if err != nil {
			return err
		}
		if w.Byte < 0 || w.Byte+form.Width > r.SectorSize || len(w.Formulas) == 0 || len(w.Formulas) > maxFormulas ||
			i == 0 && (w.Byte != f.Byte || form.Width != f.Width) {
			return errors.New("a reading that does not fit its place")
		}
		if !(w.Share >= 0 && w.Share <= 1) { // nor is it no number at all
			return errors.New("a reading that is more usual than any can be")
		}
		for _, g := range w.Formulas {
			if !g.valid() {
				return errors.New("a formula that cannot be computed")
			}
		}
	}
	if len(f.Ways) == 0 || len(f.Ways) > maxWays {
		return errors.New("no reading, or too many")
	}
	return nil
}

// maxChain bounds how many numbers follow from one another.
const maxChain = 8

func knownOrder(o image.Order) bool {
	return o == image.Plain || o == image.Swap16 || o == image.Swap32
}

func (r *Rules) checkCopy(c *CopyRule) error {
	if c.Count < 1 || c.Count > maxCopies || len(c.Own) > maxOwn || !knownOrder(c.Order) {
		return errors.New("not a count, or not a byte order")
	}
	of, to := c.Pair(c.Count - 1)
	for _, p := range []candidate.Place{c.Of, c.To, of, to} {
		if !r.inside(p) || p.Byte != 0 {
			return errors.New("it leaves the areas compared")
		}
	}
	for _, s := range c.Own {
		if !r.inside(s.Place) || s.Count < 1 || s.Byte+s.Count > r.SectorSize {
			return errors.New("bytes of its own that are not in a sector")
		}
	}
	return nil
}

func (r *Rules) checkSum(c *Check) error {
	if !r.inside(c.Place) || len(c.Ways) == 0 || len(c.Ways) > maxSumWays {
		return errors.New("outside the areas, no reading, or too many")
	}
	for i, w := range c.Ways {
		form, err := candidate.FormOf(w.Encoding)
		if err != nil {
			return err
		}
		sum, err := candidate.SumOf(w.Sum)
		if err != nil {
			return err
		}
		if sum.Width != form.Width || w.Byte < 0 || w.Byte+form.Width > r.SectorSize || !knownOrder(w.Order) ||
			i == 0 && (w.Byte != c.Byte || form.Width != c.Width) {
			return errors.New("a reading that does not fit its place")
		}
		if w.Count < 1 || w.Count > int64(r.SectorSize)*256 || !r.inside(w.Start) ||
			!r.inside(r.lastSector(w.Start, w.Count)) {
			return errors.New("a span that leaves the areas compared")
		}
		if w.Order != image.Plain && (w.Start.Byte%4 != 0 || w.Count%4 != 0) {
			return errors.New("a span that ends inside a word")
		}
	}
	return nil
}
