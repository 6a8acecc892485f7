package fit

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"

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
	what    string            // what it tries, in few words
	why     string            // why it is no try; empty if it is one
	made    *made             // by its rules already; nil: not yet
}

// made is what rules make of the source for a card of n sectors. Making it is most of what
// a try costs, so that it is told from others and judged by one and the same.
type made struct {
	n   disk.Sector
	out *compare.Rendered
	err error
}

// render makes of the source what the rules of the card make, if it is not made already.
func (p *course) render() (*compare.Rendered, error) {
	n := p.w.Target.Sectors
	if m := p.try.made; m != nil && m.n == n {
		return m.out, m.err
	}
	return compare.Apply(p.rules, p.src, n)
}

// guesses tells whether the try has guessed at what lies there: who asks for it has
// accepted that.
func (r *rung) guesses(at candidate.Place) bool {
	return r.guessed || slices.Contains(r.guess, at)
}

// course is what a card follows: the rules that hold for it and, where not all is known
// that may follow the size, one try of the ladder.
type course struct {
	*given
	rules *compare.Rules // nil: none
	try   rung           // empty where the layout is known
}

// follow decides what the card follows.
func (p *given) follow() (*course, said) {
	rules, out := p.rulesOf()
	known := &course{given: p, rules: rules}
	chosen, more := known.chooseTry()
	out.also(more)
	return chosen, out
}

// chooseTry lists the tries, cheapest first, where something may follow the size and it
// is not known whether it does: in a layout that nobody knows, and of numbers outside the
// volumes of a known one. It takes the try that was asked for, else the rules if there
// are any, else the first.
func (p *course) chooseTry() (chosen *course, out said) {
	if p.judged != nil && p.resizing() {
		return p.by(*p.judged), out
	}
	if !p.resizing() || !p.inUse() {
		return p.withoutLadder()
	}
	ladder, none := p.ladder()
	sure := 1 // tries that guess nothing: as it is, and by the rules
	if p.rules != nil {
		sure++
	}
	if !p.unknown() && len(ladder) == sure {
		chosen, out = p.withoutLadder()
		out.also(whyNoTry(none))
		return chosen, out
	}
	at := p.w.Try - 1
	switch {
	case p.w.Try > len(ladder):
		out.refuse(disk.Refusalf(disk.NoSuchTry, disk.NoSector, "there is no try %d: the ladder has %d", p.w.Try,
			len(ladder)))
		return p, out
	case at < 0 && p.rules != nil:
		at = 1
	case at < 0:
		at = 0
	}
	for i, r := range ladder {
		r.Finding.Code = disk.FurtherTry
		if i == at {
			r.Finding.Code = disk.ThisTry
		}
		out.note(r.Finding)
	}
	out.also(whyNoTry(none))
	return p.by(ladder[at]), out
}

// withoutLadder is the course of a card about which nothing is to be tried.
func (p *course) withoutLadder() (_ *course, out said) {
	if p.w.Try > 0 {
		out.refuse(disk.Refusalf(disk.NoLadder, disk.NoSector,
			"--try is for a card of another size, where something may follow the size and it is not known whether it does; "+
				"here it is known what to do, or nothing to be done"))
	}
	return p, out
}

// unknown tells whether nobody knows the layout of the disk.
func (p *given) unknown() bool { return p.s.Table == "none" && len(p.s.Volumes) == 0 }

// by returns what a card follows by one try.
func (p *course) by(r rung) *course { return &course{given: p.given, rules: r.rules, try: r} }

// inUse tells whether anything but blank sectors is on the disk.
func (p *given) inUse() bool {
	return slices.ContainsFunc(p.s.Regions, func(r layout.Region) bool {
		return !r.Content.Looked || r.Content.NonBlank > 0 || r.Content.Unread > 0
	})
}

// ladder lists the tries: nothing changed; what is proved; then one guess at a
// time, of which other readings of what was compared come first. Beside it are the
// numbers that are no try.
func (p *course) ladder() (out, none []rung) {
	what := "everything"
	if !p.unknown() {
		what = "what lies outside the volumes"
	}
	out = []rung{{Finding: disk.Notef("", disk.NoSector,
		"try 1: %s as it is, the old size in all fields. The device may never ask for the size, or take what it "+
			"finds. If it does not start and changes nothing on the card, look at adapter, power and jumpers first; if it "+
			"says that the disk is wrong, or formats it, it compares the size", what)}}
	if p.rules != nil {
		out = append(out, rung{rules: p.rules, Finding: disk.Notef("", disk.NoSector,
			"try 2: what the originals that were compared prove about the size. If it fails where try 1 failed in the same "+
				"way, the trouble is not in these fields; read the card back and let compare say what the device changed")})
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
		default:
			none = append(none, r)
		}
	}
	return out, none
}

// otherReadings makes a try of every other card that the originals leave: by another
// size that the device may count with, or with other values of numbers which are not
// decided.
func (p *course) otherReadings() (out []rung) {
	if p.rules == nil {
		return nil
	}
	n := p.w.Target.Sectors
	tail, err := p.rules.SteadyTail(p.src)
	tries := p.rules.Tries(n, err != nil || tail) // what cannot be read may be a tail
	seen := map[string]bool{}
	for i, t := range tries {
		card := &made{n: n}
		card.out, card.err = compare.Apply(t.Rules, p.src, n)
		key := card.key(t.Count)
		if i == 0 || key != "" && seen[key] {
			seen[key] = true
			continue // the rules, or read from another byte on, and the bytes are those of an earlier try
		}
		seen[key] = true
		var but []string
		weak := ""
		if other := t.Count.Of(n); other != p.rules.Counted(n) {
			but = append(but, fmt.Sprintf("the device counts %s of the card's sectors (%s), in all numbers and in what it "+
				"counts from the end",
				grouped(int64(other)), t.Count))
		}
		for _, at := range t.Changed {
			but = append(but, holdsText(t.Rules, at, n))
			if t.Rules.Field(at).Weak() {
				weak = "weak: "
			}
		}
		what := strings.Join(but, "; ")
		at := disk.NoSector
		if len(t.Changed) == 1 {
			at = t.Changed[0].At(t.Count.Of(n))
		}
		out = append(out, rung{what: what, rules: t.Rules, guess: t.Changed, made: card, Finding: disk.Notef("", at,
			"%sas try 2, but %s. This fits the originals as well. If the device gets further, let it write a card of this "+
				"size, "+
				"and compare again: that decides", weak, what)})
	}
	return out
}

// key names the card, which counts with c: the same for the same one, "" if there is none.
func (m *made) key(c compare.Count) string {
	if m.err != nil {
		return ""
	}
	sum := sha256.New()
	fmt.Fprintln(sum, c.Of(m.n))
	for _, s := range m.out.Sectors {
		fmt.Fprintf(sum, "%d %x\n", s.At, s.Bytes)
	}
	return string(sum.Sum(nil))
}

// holdsText says what a number holds by one try.
func holdsText(r *compare.Rules, at candidate.Place, n disk.Sector) string {
	a, err := r.Answer(r.Field(at), n)
	if err != nil {
		return err.Error()
	}
	return fmt.Sprintf("%s holds %d (%s)", at, a.Value, a.Formula)
}
