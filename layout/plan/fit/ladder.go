package fit

import (
	"cmp"
	"fmt"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
)

// maxRungs bounds the ladder: a person tries no more cards than this. To find them no
// more than maxJudged are made, so that listing them stays as quick as planning.
const (
	maxRungs  = 12
	maxJudged = 4 * maxRungs
)

// rung is one try of an unknown layout on a card of another size.
type rung struct {
	disk.Finding
	rules   *compare.Rules    // nil: everything as it is
	guess   []candidate.Place // of the numbers that are guesses
	guessed bool              // everything in it is a guess
	tail    Tail              // where the tail goes; empty: where it would go without a try
	what    string            // the number that it reads, in few words; empty if it is about more
	why     string            // why it is no try; empty if it is one
}

// guesses tells whether the try has guessed at what lies there: who asks for it has
// accepted that.
func (r *rung) guesses(at candidate.Place) bool {
	return r.guessed || slices.Contains(r.guess, at)
}

// weakChance is how many numbers like it are expected by chance where a candidate
// is called weak.
const weakChance = 0.1

// chooseTry lists the tries for an unknown layout, cheapest first, and takes
// the one that was asked for, else the rules if there are any, else the first.
func (p *planner) chooseTry() {
	if p.judged != nil && p.resizing() {
		p.take(*p.judged)
		return
	}
	if !p.resizing() || p.s.Table != "none" || len(p.s.Volumes) > 0 || !p.inUse() {
		if p.w.Try > 0 {
			p.refuse(disk.Refusalf(disk.NoLadder, disk.NoSector, "--try is for a card of another size from a disk on which nothing is known; here it is known what to do, or nothing to be done"))
		}
		return
	}
	ladder, none := p.ladder()
	at := p.w.Try - 1
	switch {
	case p.w.Try > len(ladder):
		p.refuse(disk.Refusalf(disk.NoSuchTry, disk.NoSector, "there is no try %d: the ladder has %d", p.w.Try, len(ladder)))
		return
	case at < 0 && p.rules != nil:
		at = 1
	case at < 0:
		at = 0
	}
	p.take(ladder[at])
	for i, r := range ladder {
		r.Finding.Code = disk.FurtherTry
		if i == at {
			r.Finding.Code = disk.ThisTry
		}
		p.note(r.Finding)
	}
	p.noTries(none)
}

// take plans the card by one try.
func (p *planner) take(r rung) {
	p.try, p.rules = r, r.rules
	if r.tail != "" {
		p.w.Tail = r.tail
	}
}

// inUse tells whether anything but blank sectors is on the disk.
func (p *planner) inUse() bool {
	return slices.ContainsFunc(p.s.Regions, func(r layout.Region) bool {
		return !r.Content.Looked || r.Content.NonBlank > 0 || r.Content.Unread > 0
	})
}

// ladder lists the tries: nothing changed; what is proved; then one guess at a
// time, of which other readings of what was compared come first. Beside it are the
// numbers that are no try.
func (p *planner) ladder() (out, none []rung) {
	out = []rung{{Finding: disk.Notef("", disk.NoSector,
		"try 1: everything as it is, the old size in all fields. The device may never ask for the size, or take what it finds. If it does not start and changes nothing on the card, look at adapter, power and jumpers first; if it says that the disk is wrong, or formats it, it compares the size")}}
	if p.rules != nil {
		out = append(out, rung{rules: p.rules, Finding: disk.Notef("", disk.NoSector,
			"try 2: what the originals that were compared prove about the size. If it fails where try 1 failed in the same way, the trouble is not in these fields; read the card back and let compare say what the device changed")})
	}
	judge, judged := p.judge(), 0
	for _, r := range slices.Concat(p.otherReadings(), p.ofOneDrive(), p.guesses()) {
		switch {
		case r.why != "":
		case len(out) == maxRungs || judged == maxJudged:
			r.why = "the ladder is full"
		default:
			judged++
			r.why = judge(r)
		}
		switch {
		case r.why == "":
			r.Text = fmt.Sprintf("try %d: %s", len(out)+1, r.Text)
			out = append(out, r)
		case r.what != "":
			none = append(none, r)
		}
	}
	return out, none
}

// ofOneDrive are the tries of all that one drive suggests, where no rules are.
func (p *planner) ofOneDrive() []rung {
	if p.rules != nil {
		return nil
	}
	return append(p.together(), p.otherTails()...)
}

// guesses makes a try of every candidate that one disk alone suggests, or says why
// it is none.
func (p *planner) guesses() (out []rung) {
	for _, f := range p.candidates() {
		what := fmt.Sprintf("sector %d, byte %d, %s = %d", f.Sector, f.Offset, f.Encoding, f.Value)
		g, ok := formulaOf(f, p.s.Sectors)
		if !ok {
			out = append(out, rung{what: what, why: "it counts from the start of the disk, whatever its size"})
			continue
		}
		rules, at, ok := p.withCandidate(p.rules, f, g)
		if !ok {
			out = append(out, rung{what: what, why: "it lies further from both ends than rules reach"})
			continue
		}
		if p.rules == nil {
			p.withTruths(rules)
		}
		weak := ""
		if f.ByChance > weakChance {
			weak = "weak: "
		}
		out = append(out, rung{what: what, rules: rules, guess: []candidate.Place{at}, guessed: p.rules == nil, Finding: disk.Notef("", f.Sector,
			weak+"one number more follows the size, a candidate that one disk alone suggests: %s, %s, %s = %d (%.2g such numbers are expected by chance). If the device gets further than before it was one; if it fails earlier or in another way, it was none, or a checksum or a second copy covers it",
			at, f.Encoding, g, f.Value, f.ByChance)})
	}
	return out
}

// otherReadings makes a try of every other size that the device may count with,
// and of every other value that a number which is not decided may have.
func (p *planner) otherReadings() (out []rung) {
	if p.rules == nil {
		return nil
	}
	n := p.w.Target.Sectors
	tail, err := p.rules.SteadyTail(p.src)
	for _, t := range p.rules.Tries(n, err != nil || tail)[1:] { // what cannot be read may be a tail
		if len(t.Weak) > 0 {
			out = append(out, rung{rules: t.Rules, guess: t.Weak, Finding: disk.Notef("", disk.NoSector,
				"weak: as try 2, but %s that may follow the size by chance alone follow it too. If the device gets further, one of them was none of chance",
				disk.Counted(len(t.Weak), "number"))})
			continue
		}
		if t.Place == nil {
			out = append(out, rung{rules: t.Rules, Finding: disk.Notef("", disk.NoSector,
				"as try 2, but the device counts %s of the card's sectors (%s), in all numbers and in what it counts from the end. If the device gets further, it counts so",
				grouped(int64(t.Count.Of(n))), t.Count)})
			continue
		}
		alone := t.Field()
		other, err := t.Rules.Answer(alone, n)
		if err != nil {
			continue
		}
		what := fmt.Sprintf("%s = %d", t.Place, other.Value)
		out = append(out, rung{what: what, rules: t.Rules, guess: []candidate.Place{*t.Place}, Finding: disk.Notef("", t.Place.At(t.Count.Of(n)),
			"%sas try 2, but %s holds %d (%s), which fits the originals as well. If the device gets further, the size of this card has decided the formula: let it write one and compare again",
			weakText(p.rules, t.Place), t.Place, other.Value, other.Formula)})
	}
	return out
}

// weakText marks a number that is no likelier than chance.
func weakText(r *compare.Rules, at *candidate.Place) string {
	for i := range r.Fields {
		if r.Fields[i].Place == *at && r.Fields[i].Weak() {
			return "weak: "
		}
	}
	return ""
}

// candidates returns the numbers of the survey that may depend on the size and
// that no rule speaks of, the least likely by chance first.
func (p *planner) candidates() []layout.Field {
	out := slices.Clone(p.w.Fields)
	if p.rules != nil {
		out = slices.DeleteFunc(out, func(f layout.Field) bool {
			return slices.ContainsFunc(p.rules.Fields, func(r compare.Field) bool {
				return r.Place.At(p.s.Sectors) == f.Sector && r.Byte < f.Offset+f.Width && f.Offset < r.Byte+r.Width
			})
		})
	}
	slices.SortStableFunc(out, func(a, b layout.Field) int {
		return cmp.Or(cmp.Compare(a.ByChance, b.ByChance), cmp.Compare(a.Sector, b.Sector), a.Offset-b.Offset)
	})
	return out
}

// withCandidate returns the rules with one more number, which is undecided, and
// its place. ok is false if it lies in neither area of the rules.
func (p *planner) withCandidate(to *compare.Rules, f layout.Field, g compare.Formula) (r *compare.Rules, at candidate.Place, ok bool) {
	r = &compare.Rules{SectorSize: p.s.SectorSize, Sizes: []disk.Sector{p.s.Sectors}}
	if to != nil {
		copied := *to
		r = &copied
	}
	most := min(p.s.Sectors, p.w.Target.Sectors) / 2
	area := min(disk.Sector(compare.Area/p.s.SectorSize), most)
	r.Head, r.Tail = max(r.Head, area), max(r.Tail, area)
	at = candidate.Place{From: layout.FromStart, Sector: f.Sector, Byte: f.Offset}
	if f.Sector >= r.Head {
		at.From, at.Sector = layout.FromEnd, p.s.Sectors-f.Sector
		if at.Sector > r.Tail {
			return nil, at, false
		}
	}
	way := compare.Way{Byte: f.Offset, Encoding: candidate.Encoding(f.Encoding), Formulas: []compare.Formula{g}}
	r.Fields = append(slices.Clone(r.Fields), compare.Field{Place: at, Class: classOf(g), Width: f.Width, Bits: 1, Ways: []compare.Way{way}, Doubt: drawnFrom})
	return r, at, true
}

// classOf tells an address before the end from a size.
func classOf(g compare.Formula) compare.Class {
	if g.Of == 1 && g.Per == 1 && g.Max < -1 {
		return compare.Address
	}
	return compare.Size
}

// formulaOf says how a number follows from the size of the disk that holds it, if it
// does and is what it says.
func formulaOf(f layout.Field, n disk.Sector) (compare.Formula, bool) {
	form, err := candidate.FormOf(candidate.Encoding(f.Encoding))
	if err != nil || form.Width != f.Width || f.Law == nil {
		return compare.Formula{}, false
	}
	g := compare.Formula{Times: f.Law.Times, Of: f.Law.Of, Per: f.Law.Per, Min: f.Law.Add, Max: f.Law.Add, Plus: f.Law.Plus}
	v, _, ok := g.At(n)
	return g, ok && v == f.Value
}
