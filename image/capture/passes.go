package capture

import (
	"cmp"
	"fmt"
	"slices"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// maxRounds bounds how often the advisor is asked; every round reads at least
// one sector that was not tried before. By hand, no source: it keeps an advisor that
// is wrong from going on for ever, and no disk comes near it.
const maxRounds = 100_000

// all is the order of a run. What failed in the boot areas, tables and
// directories is narrowed down before files are read, and files before what
// nobody named: a spot costs few visits there, and what lies around it is
// worth more. Insides of bad spots and sectors that let the drive hang come
// last of all.
func (e *engine) all() error {
	boot := []Class{Boot, Tables, Directories}
	if e.OnlyBoot {
		boot = boot[:2]
	}
	named, err := e.explore(boot)
	if err != nil {
		return err
	}
	if err := e.checkBridge(true); err != nil {
		return err
	}
	// From here on a drive that comes into the place of this one cannot put the boot
	// areas in doubt.
	if _, err := e.prove(); err != nil {
		return err
	}
	e.sorted = true
	late := []Class{Files, Samples, Sound, Free}
	switch {
	case e.OnlyBoot:
		late = nil
	case e.SkipFree:
		late = late[:1]
		if err := e.roomForFiles(); err != nil {
			return err
		}
		e.skipFree()
	}
	if len(late) > 0 {
		if err := e.bulk(late, named); err != nil {
			return err
		}
	}
	return e.lastOfAll(append(boot, late...))
}

// named are the spans that an advisor named, in its order, of the classes that are read
// late.
type named struct{ files, sound []disk.Span }

// bulk reads files, what sounds, and what nobody named, with a second look at the boot
// areas half-way.
func (e *engine) bulk(late []Class, n named) error {
	var steps []func() error
	if len(n.files) > 0 || len(late) == 1 {
		steps = append(steps,
			func() error { return e.sweep(Files, n.files) },
			func() error { return e.narrow(late[:1]) },
			e.secondLook)
	}
	if len(late) > 1 {
		half := disk.Span{Count: e.rec.Sectors / 2}
		if len(n.sound) > 0 {
			steps = append(steps,
				func() error { return e.sweep(Sound, n.sound) },
				func() error { return e.narrow([]Class{Samples, Sound}) })
		}
		steps = append(steps,
			func() error { return e.sweep(Free, []disk.Span{half}) },
			e.secondLook,
			func() error { return e.sweep(Free, []disk.Span{disk.Between(half.Count, e.rec.Sectors)}) },
			func() error { return e.narrow(late[1:]) })
	}
	return inOrder(steps)
}

// lastOfAll is what may cost much and gives little.
func (e *engine) lastOfAll(classes []Class) error {
	steps := []func() error{
		func() error { return e.narrow(classes) },
		func() error { return e.singles(classes) },
		e.looks,
		func() error { return e.insides(classes) },
		func() error { return e.doubted(classes) },
	}
	if e.RetryHung {
		steps = append(steps, func() error { return e.retryHung(classes) })
	}
	for range e.Retry {
		steps = append(steps, func() error { return e.retry(classes) })
	}
	steps = append(steps, e.lastProbe)
	return inOrder(steps)
}

func inOrder(steps []func() error) error {
	for _, f := range steps {
		if err := f(); err != nil {
			return err
		}
	}
	return nil
}

// lastProbe makes sure that the drive is still there, if all that was asked of
// it of late failed.
func (e *engine) lastProbe() error {
	if len(e.failures) == 0 {
		return nil
	}
	return e.probe()
}

func (e *engine) skipFree() {
	for _, s := range e.runsOf([]Class{Free}, record.Unread, record.Left, record.Failed, record.Tight, record.Suspect) {
		e.note(record.Line{Verb: record.VerbSkipped, Span: s})
	}
}

// explore asks the advisor, reads what it names, asks again, until nothing is
// new. It returns what the advisor named of files and sound, in its order. Samples come
// when all else is tried and narrowed down: they are many seeks, and tell nothing of what
// the device starts from.
func (e *engine) explore(classes []Class) (late named, err error) {
	if err := e.sweep(Boot, e.First); err != nil {
		return late, err
	}
	narrowed := false
	for range maxRounds {
		known, err := e.known()
		if err != nil {
			return late, err
		}
		var fresh map[Class][]disk.Span
		wishes, err := e.advisor.Next(e.ctx, known)
		switch {
		case e.ctx.Err() != nil:
			return late, e.mayGoOn() // which says that it was interrupted
		case err != nil:
			return late, fmt.Errorf("finding out what is worth reading next from what lies in the image: %w", err)
		}
		late, fresh = e.sort(wishes, classes)
		samples := fresh[Samples]
		delete(fresh, Samples)
		if len(fresh) > 0 {
			if err := e.fresh(classes, fresh); err != nil {
				return late, err
			}
			narrowed = false
			continue
		}
		// The advisor may have named sectors that were put off before they had a name.
		if !narrowed || len(e.runsOf(classes, record.Left, record.Failed))+len(e.suspects(classes, false)) > 0 {
			narrowed = true
			if err := e.narrow(classes); err != nil {
				return late, err
			}
			if err := e.singles(classes); err != nil {
				return late, err
			}
			continue
		}
		if len(samples) == 0 || e.OnlyBoot {
			return late, nil
		}
		if err := e.sweep(Samples, samples); err != nil {
			return late, err
		}
	}
	return late, nil
}

// fresh reads what was named for the first time.
func (e *engine) fresh(classes []Class, spans map[Class][]disk.Span) error {
	for _, c := range classes {
		if err := e.sweep(c, spans[c]); err != nil {
			return err
		}
		if err := e.checkBridge(false); err != nil {
			return err
		}
	}
	return nil
}

// sort takes the wishes in: it returns those for files and sound, and those of the given
// classes, and of samples, that hold a sector which nobody tried yet.
func (e *engine) sort(wishes []Wish, classes []Class) (late named, fresh map[Class][]disk.Span) {
	fresh = map[Class][]disk.Span{}
	e.rankAll(wishes)
	for _, w := range wishes {
		s := w.Span.Common(e.rec.Whole())
		if s.Empty() || w.Class == Free || w.Class > Sound {
			continue
		}
		switch w.Class {
		case Files:
			late.files = append(late.files, s)
		case Sound:
			late.sound = append(late.sound, s)
		default:
			_, ok := e.rec.States.First(s, record.Unread)
			if ok && (w.Class == Samples || slices.Contains(classes, w.Class)) {
				fresh[w.Class] = append(fresh[w.Class], s)
			}
		}
	}
	return late, fresh
}

// rankAll gives the sectors of all wishes their classes. In ascending order
// that costs little, however many there are.
func (e *engine) rankAll(wishes []Wish) {
	up := slices.Clone(wishes)
	slices.SortFunc(up, func(a, b Wish) int { return cmp.Compare(a.Start, b.Start) })
	for _, w := range up {
		if w.Class != Free && w.Class <= Sound {
			e.rank(w.Span.Common(e.rec.Whole()), w.Class)
		}
	}
}

// rank gives sectors a class, unless they have a better one.
func (e *engine) rank(s disk.Span, c Class) {
	var worse disk.Spans
	e.class.Each(s, func(p disk.Span, have Class) bool {
		if have == Free || have > c {
			worse = worse.Add(p)
		}
		return true
	})
	for _, p := range worse {
		e.class.Set(p, c)
	}
}

// cut returns the beginning of s that one read can take: up to size sectors,
// and not across the grid.
func (e *engine) cut(s disk.Span, size disk.Sector) disk.Span {
	grid := (s.Start/e.block + 1) * e.block
	return disk.Between(s.Start, min(s.End(), s.Start+size, grid))
}

// cutEnd returns the end of s that one read can take.
func (e *engine) cutEnd(s disk.Span, size disk.Sector) disk.Span {
	grid := s.Last() / e.block * e.block
	return disk.Between(max(s.Start, s.End()-size, grid), s.End())
}

// sweep reads the sectors of the list that nobody tried, in its order, in
// large reads. After a failure, or a slow read, it leaves the neighbourhood,
// and goes the farther the more failures follow each other.
func (e *engine) sweep(c Class, list []disk.Span) error {
	e.doing, e.doingNow = "reading", c
	defer func() { e.ahead = nil }()
	for i, s := range list {
		for {
			u, ok := e.rec.States.First(s, record.Unread)
			if !ok {
				break
			}
			r := e.cut(u, e.block)
			e.ahead = func(n disk.Sector) []disk.Span { return upcoming(r.Start, list[i:], n) }
			got, err := e.try(r)
			if err != nil {
				return err
			}
			if got != gotIt {
				e.leave(r.End())
			}
			s = disk.Between(r.End(), s.End())
		}
	}
	return nil
}

// upcoming returns the next n sectors of the list, from sector at of its first
// span on.
func upcoming(at disk.Sector, list []disk.Span, n disk.Sector) []disk.Span {
	var out []disk.Span
	for i, s := range list {
		if i == 0 {
			s = disk.Between(at, s.End())
		}
		if n <= 0 || len(out) == mostSpans {
			break
		}
		if s.Count = min(s.Count, n); s.Count > 0 {
			out = append(out, s)
			n -= s.Count
		}
	}
	return out
}

// leave puts off what follows a failure.
func (e *engine) leave(at disk.Sector) {
	for _, s := range e.rec.States.Spans(disk.Between(at, at+e.skip), record.Unread) {
		e.note(record.Line{Verb: record.VerbLeft, Span: s})
	}
	// No farther than a 64th of the drive (by hand, no source): on a small one
	// a few failures would put off all the rest.
	e.skip = min(2*e.skip, maxSkip*e.block, max(e.block, e.rec.Sectors/64))
}

// runsOf returns the runs of sectors of the classes and states, cut at both
// kinds of borders, class by class.
func (e *engine) runsOf(classes []Class, states ...record.State) []disk.Span {
	all := e.rec.States.Spans(e.rec.Whole(), states...)
	var out []disk.Span
	for _, c := range classes {
		for _, s := range all {
			out = append(out, e.class.Spans(s, c)...)
		}
	}
	return out
}

// retryHung reads the sectors singly among which the drive hung: each read is
// announced. Those that hung alone come last.
func (e *engine) retryHung(classes []Class) error {
	e.doing = "single sectors where the drive hung"
	var queue, alone []disk.Span
	for _, s := range e.runsOf(classes, record.Hung) {
		queue = append(queue, e.rec.InDoubt(s, false)...)
		alone = append(alone, e.rec.InDoubt(s, true)...)
	}
	return e.bisect(append(queue, alone...), level{from: record.Hung, size: 1})
}

// retry gives every missing sector one more try, and so every one that another unit lent in
// its place: what the drive gives is put there, and where it fails again the loan stays.
func (e *engine) retry(classes []Class) error {
	e.doing = "missing sectors once more"
	for _, s := range e.runsOf(classes, record.Missing) {
		for x := s.Start; x < s.End(); x++ {
			if _, err := e.try(disk.Span{Start: x, Count: 1}); err != nil {
				return err
			}
		}
	}
	for _, s := range e.rec.OfOtherUnits() {
		for x := s.Start; x < s.End(); x++ {
			if _, err := e.lookAt(disk.Span{Start: x, Count: 1}, 1); err != nil {
				return err
			}
		}
	}
	return nil
}
