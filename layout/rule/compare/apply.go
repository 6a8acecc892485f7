package compare

import (
	"cmp"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Rendered is what the rules put on a card: whole sectors, sorted by place.
// Every other sector of the areas is that of the source, the head at its old
// address and the tail at the same distance from the end.
//
// Where Undecided is not empty, other bytes fit the originals as well as these.
type Rendered struct {
	Sectors   []RenderedSector
	Findings  []disk.Finding
	Undecided []OpenRule     // in the order of the rules
	Questions []disk.Finding // about the whole card; each is a Refusal to accept by its code
}

// OpenRule is a number or checksum that the rules do not decide for this card,
// with the Refusal to accept by its code.
type OpenRule struct {
	candidate.Place
	disk.Finding
}

// RenderedSector is one sector of the card.
type RenderedSector struct {
	At    disk.Sector // on the card
	From  disk.Sector // of the source: whose bytes it keeps where no rule is
	Bytes []byte
}

// RefusedError says why the rules cannot make a card.
type RefusedError struct {
	Code disk.Code
	Why  string
}

func (e *RefusedError) Error() string { return e.Why }

func refuse(code disk.Code, text string, args ...any) error {
	return &RefusedError{code, fmt.Sprintf("refusing to make the boot area: "+text, args...)}
}

// applier holds the sectors of the card that the rules touch.
type applier struct {
	r      *Rules
	src    image.Source
	old, n disk.Sector // sectors of the source and of the card
	card   map[candidate.Place][]byte
	out    *Rendered
}

// Apply renders the boot areas for a card of n sectors from the head and tail
// of the source, which may know no other sectors. It refuses, with a
// RefusedError, what would point past the end, or not fit its field; what is
// undecided, or would leave a copy behind, is asked about.
func Apply(r *Rules, src image.Source, n disk.Sector) (*Rendered, error) {
	if err := r.Check(); err != nil {
		return nil, err
	}
	r = r.Likeliest(n)
	a := &applier{r: r, src: src, old: image.Sectors(src), n: n, card: map[candidate.Place][]byte{}, out: &Rendered{}}
	if src.SectorSize() != r.SectorSize {
		return nil, refuse(disk.RulesSectorSize, "the rules are for sectors of %d bytes, the source has %d", r.SectorSize,
			src.SectorSize())
	}
	if least := r.reach(); n < least || a.old < least {
		return nil, refuse(disk.RulesAreasOverlap, "the areas of the rules need %d sectors; the source has %d, the card %d",
			least, a.old, n)
	}
	for _, step := range []func() error{a.originals, a.copies, a.ofCopies, a.verify, a.leftBehind, a.carried, a.counted} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	for p, b := range a.card {
		a.out.Sectors = append(a.out.Sectors, RenderedSector{a.onCard(p), a.onSource(p), b})
	}
	slices.SortFunc(a.out.Sectors, func(x, y RenderedSector) int { return cmp.Compare(x.At, y.At) })
	return a.out, nil
}

// sector returns a sector of the card to be changed.
func (a *applier) sector(p candidate.Place) ([]byte, error) {
	b, err := a.now(p)
	if err == nil {
		a.card[p.SectorStart()] = b
	}
	return b, err
}

// onCard and onSource return where a place lies: what is counted from the end
// lies before the end that the device counts.
func (a *applier) onCard(p candidate.Place) disk.Sector   { return p.At(a.r.Counted(a.n)) }
func (a *applier) onSource(p candidate.Place) disk.Sector { return p.At(a.r.Counted(a.old)) }

// now returns a sector of the card as far as it is made, else of the source.
func (a *applier) now(p candidate.Place) ([]byte, error) {
	if b, ok := a.card[p.SectorStart()]; ok {
		return b, nil
	}
	return a.source(p)
}

// source reads a sector of the source.
func (a *applier) source(p candidate.Place) ([]byte, error) {
	b := make([]byte, a.r.SectorSize)
	if err := image.ReadFull(a.src, b, int64(a.onSource(p))*int64(a.r.SectorSize)); err != nil {
		return nil, fmt.Errorf("reading %s of the source: %w", p, err)
	}
	return b, nil
}

// inCopy tells whether a sector is repeated from another.
func (a *applier) inCopy(p candidate.Place) bool {
	return slices.ContainsFunc(a.r.Copies, func(c CopyRule) bool { return c.within(p) })
}

func (a *applier) originals() error { return a.render(false) }
func (a *applier) ofCopies() error  { return a.render(true) }

// render sets the fields and then the checksums of originals or of copies.
func (a *applier) render(copies bool) error {
	for i := range a.r.Fields {
		if f := &a.r.Fields[i]; a.inCopy(f.Place) == copies {
			if err := a.field(f); err != nil {
				return err
			}
		}
	}
	var checks []*Check
	for i := range a.r.Checks {
		if c := &a.r.Checks[i]; a.inCopy(c.Place) == copies {
			checks = append(checks, c)
		}
	}
	ordered, err := a.inward(checks)
	if err != nil {
		return err
	}
	for _, c := range ordered {
		if err := a.checksum(c); err != nil {
			return err
		}
	}
	return nil
}

func (a *applier) field(f *Field) error {
	if f.Weak() {
		a.undecided(f.Place, "%s may follow the size (%s), which is no likelier than chance: it stays as the source has it",
			f.Place, f.Ways[0].Formulas[0])
		return nil
	}
	answer, err := a.r.Answer(f, a.n)
	if err != nil {
		return refuse(disk.RulesTooWide, "%v", err)
	}
	before, err := a.r.Answer(f, a.old)
	if err != nil {
		return refuse(disk.RulesSource, "the source does not follow the rules: %v", err)
	}
	b, err := a.source(f.Place)
	if err != nil {
		return err
	}
	if !a.r.gives(f, b, a.old) && (answer.Alone || len(before.Others) == 0) {
		return refuse(disk.RulesSource, "%s holds % x, but the rules say % x for the size of the source: %s", f.Place,
			b[before.Byte:before.Byte+before.Width], before.Bytes, noOriginal)
	}
	if f.Class == Address && answer.Formula.Times == 1 && answer.Value >= uint64(a.n) {
		return refuse(disk.RulesPointerFallsOff, "%s would point to sector %d of a card of %d", f.Place, answer.Value, a.n)
	}
	if !answer.Alone {
		a.undecided(f.Place, "%s would hold %d (%s), and this is not decided: %s", f.Place, answer.Value, answer.Formula,
			answer.Why)
	}
	card, err := a.sector(f.Place)
	if err != nil {
		return err
	}
	copy(card[answer.Byte:], answer.Bytes)
	return nil
}

func (a *applier) undecided(at candidate.Place, text string, args ...any) {
	a.out.Undecided = append(a.out.Undecided, OpenRule{at,
		disk.Refusalf(disk.RulesUndecided, a.onCard(at), text, args...)})
}

// inward sorts checksums so that one comes after all that lie in its span.
func (a *applier) inward(list []*Check) ([]*Check, error) {
	var out []*Check
	left := slices.Clone(list)
	for len(left) > 0 {
		i := slices.IndexFunc(left, func(c *Check) bool {
			return !slices.ContainsFunc(left, func(d *Check) bool { return d != c && a.holds(c, d) })
		})
		if i < 0 {
			return nil, refuse(disk.RulesChecksCircle, "the checksums at %s and %s lie in the spans of each other",
				left[0].Place, left[len(left)-1].Place)
		}
		out = append(out, left[i])
		left = slices.Delete(left, i, i+1)
	}
	return out, nil
}

// holds tells whether the span of c holds a byte of d.
func (a *applier) holds(c, d *Check) bool {
	w := c.Ways[0]
	size := int64(a.r.SectorSize)
	from := int64(a.onCard(w.Start))*size + int64(w.Start.Byte)
	at := int64(a.onCard(d.Place))*size + int64(d.Byte)
	return at+int64(d.Width) > from && at < from+w.Count
}

// checksum computes a checksum by every reading; they must agree.
func (a *applier) checksum(c *Check) error {
	b, err := a.sector(c.Place)
	if err != nil {
		return err
	}
	want, err := a.sum(c.Ways[0], c)
	if err != nil {
		return err
	}
	copy(b[c.Byte:], want)
	why := c.why()
	for _, w := range c.Ways[1:] {
		other, err := a.sum(w, c)
		if err != nil {
			return err
		}
		if !agree(c.Byte, want, w.Byte, other) && why == "" {
			why = fmt.Sprintf("%s and %s both fit all originals and differ here", c.Ways[0].Sum, w.Sum)
		}
	}
	if why != "" {
		a.undecided(c.Place, "the checksum at %s is not decided: %s", c.Place, why)
	}
	return nil
}

// sum returns the bytes of a checksum over the card as it is so far.
func (a *applier) sum(w SumWay, c *Check) ([]byte, error) {
	algorithm, err := candidate.SumOf(w.Sum)
	if err != nil {
		return nil, err
	}
	size := a.r.SectorSize
	run := algorithm.Start()
	p, at := w.Start.SectorStart(), w.Start.Byte
	for left := w.Count; left > 0; {
		b, err := a.now(p)
		if err != nil {
			return nil, err
		}
		n := int(min(left, int64(size-at)))
		if p == c.Place.SectorStart() || w.Order != image.Plain {
			b = slices.Clone(b)
		}
		if p == c.Place.SectorStart() {
			blankOut(b, w.Byte, algorithm.Width)
		}
		w.Order.Turn(b)
		run.Add(b[at : at+n])
		left -= int64(n)
		p, at = p.After(1), 0
	}
	return encode(w.Encoding, run.Value())
}

// copies makes every copy from its finished original.
func (a *applier) copies() error {
	return a.pairs(func(c *CopyRule, i disk.Sector, of, to candidate.Place) error {
		b, err := a.sector(of)
		if err != nil {
			return err
		}
		turned := slices.Clone(b)
		c.Order.Turn(turned)
		own, err := a.source(to)
		if err != nil {
			return err
		}
		for at, mine := range c.owned(i, len(own)) {
			if mine {
				turned[at] = own[at]
			}
		}
		a.card[to] = turned
		return nil
	})
}
