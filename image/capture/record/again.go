package record

import (
	"io"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// mostSuspects is how many spans one line can announce: at most 40 bytes each, so
// that a line stays below MaxLine.
const mostSuspects = 1000

// Rewrite writes all that is known in as few lines as say it.
func (rec *Record) Rewrite(f io.WriterAt) (Appender, error) {
	var a Appender
	var off int64
	out := Opening(&a, rec.Drive)
	flush := func(least int) error {
		if len(out) < least {
			return nil
		}
		_, err := f.WriteAt(out, off)
		off += int64(len(out))
		out = out[:0]
		return err
	}
	for l := range rec.lines {
		out = append(out, a.Line(&l)...)
		if a.Lines%1000 == 0 {
			out = append(out, a.Line(&Line{Verb: VerbSync, Numbers: []int64{a.Lines + 1}})...)
		}
		if err := flush(BlockBytes); err != nil {
			return a, err
		}
	}
	out = append(out, a.Line(&Line{Verb: VerbSync, Numbers: []int64{a.Lines + 1}})...)
	return a, flush(1)
}

// lineOf is the line of what the image holds in a span.
func (rec *Record) lineOf(s stored) Line {
	if rec.States.Get(s.Span.Start) != Unstable {
		return Line{Verb: VerbGood, Span: s.Span, Digest: s.Sum}
	}
	v := rec.answers[s.Span.Start]
	if len(v) == 0 { // there were too many to keep
		v = []Variant{{Times: 1, Digest: s.Sum}}
	}
	return Line{Verb: VerbUnstable, Span: s.Span, Variants: v}
}

// lines gives, one by one, the lines of a record that says the same.
func (rec *Record) lines(yield func(Line) bool) {
	more := true
	put := func(l Line) bool {
		more = more && yield(l)
		return more
	}
	rec.saidLines(put)
	for s := range rec.InForce() {
		put(rec.lineOf(s))
	}
	for _, st := range []State{Missing, Skipped, Failed, Tight, Left, Hung} {
		for _, s := range rec.States.Spans(rec.Whole(), st) {
			put(Line{Verb: stateVerbs[st], Span: s, Fault: image.BadSector})
		}
	}
	rec.Looks.Each(rec.Whole(), func(s disk.Span, n uint8) bool {
		for _, p := range rec.States.Spans(s, Good, Unstable) {
			if n > 1 {
				put(Line{Verb: VerbAgain, Span: p, Numbers: []int64{int64(n)}})
			}
		}
		return more
	})
	for _, s := range rec.Weak() {
		put(Line{Verb: VerbWeak, Span: s, Fault: image.BadSector})
	}
	for i := range rec.From {
		for _, s := range rec.Origins(i + 1) {
			put(Line{Verb: VerbOrigin, Span: s, Numbers: []int64{int64(i + 1)}})
		}
	}
	c := rec.Clock
	put(Line{Verb: VerbClock, Numbers: []int64{c.Reads, c.Errors, c.Slow.Milliseconds()}})
}

// saidLines are those that stand at the head: what was done, and what the drive said.
func (rec *Record) saidLines(put func(Line) bool) {
	put(Line{Verb: VerbWords, Texts: []string{"Put together anew from a damaged record."}})
	if s := rec.States.Spans(rec.Whole(), Suspect); len(s) > 0 {
		put(Line{Verb: VerbAbout, Spans: s[:min(len(s), mostSuspects)]})
	}
	put(Line{Verb: VerbRun, Numbers: []int64{int64(max(rec.Runs, 1))}, Time: rec.Started})
	for _, program := range rec.Programs {
		put(Line{Verb: VerbWrittenBy, Texts: []string{program}})
	}
	for i, name := range rec.From {
		put(Line{Verb: VerbFrom, Numbers: []int64{int64(i + 1)}, Texts: []string{name}})
	}
	for _, n := range rec.OtherUnits {
		put(OtherUnit(n))
	}
	for _, m := range rec.UnitNames {
		put(UnitName(m))
	}
	for _, f := range rec.Told {
		put(Told(f))
	}
	if rec.BridgeChecked {
		put(ToldAll())
	}
}
