package record

import (
	"fmt"
	"slices"
	"time"

	"bootgraft/image/disk"
)

// Apply takes in one more line.
func (rec *Record) Apply(l *Line) error {
	rec.Lines++
	for _, s := range append(slices.Clip(l.Spans), l.Span) {
		if !rec.Whole().Covers(s) {
			return fmt.Errorf("sectors %s are outside the disk of %d", s, rec.Sectors)
		}
	}
	rec.freshen(l)
	if st, ok := verbStates[l.Verb]; ok {
		rec.setState(l.Span, st)
	}
	switch l.Verb {
	case VerbMissing, VerbHung:
		rec.PowerOff = rec.PowerOff || l.Verb == VerbHung
		return rec.remember(l)
	case VerbUnstable:
		if err := rec.applyUnstable(l); err != nil {
			return err
		}
		return rec.remember(l)
	case VerbGood:
		if err := rec.remember(l); err != nil {
			return err
		}
		rec.Looks.Set(l.Span, 1)
	case VerbAgain:
		rec.Looks.Set(l.Span, uint8(min(l.Numbers[0], 255)))
		rec.PowerOff = false
	case VerbWeak:
		rec.weak.Set(l.Span, true)
	case VerbAbout:
		rec.window, rec.silent = l.Spans, false
	case VerbSilent:
		rec.window, rec.silent = []disk.Span{l.Span}, true
	case VerbSync:
		rec.tail = slices.DeleteFunc(rec.tail, func(t tailLine) bool { return t.number < l.Numbers[0] })
	case VerbWords:
		rec.takeTold(l.Texts[0])
		rec.takeUnit(l.Texts[0])
	case VerbRecord, VerbDisk, VerbDrive, VerbMissingAs:
		return fmt.Errorf("a second line %q", l.Verb)
	default:
		return rec.applyEvent(l)
	}
	return nil
}

// remember keeps a line about the image until a mark covers it.
func (rec *Record) remember(l *Line) error {
	if rec.live {
		return nil
	}
	if sum, ok := storedBy(l); ok && len(rec.sums) < 1<<31-1 {
		rec.sums = append(rec.sums, stored{l.Span, sum})
		rec.summed.Set(l.Span, int32(len(rec.sums)))
	}
	if rec.salvaged { // all of it is compared with the image
		return nil
	}
	if len(rec.tail) >= maxTail {
		return fmt.Errorf("more than %d lines without a mark", maxTail)
	}
	rec.tail = append(rec.tail, tailLine{rec.Lines, *l})
	return nil
}

func (rec *Record) setState(s disk.Span, st State) {
	if st == Hung && s.Count == 1 {
		st = Missing // it was tried alone, and there is nothing more to learn
	}
	rec.States.Set(s, st)
	rec.Image = nil
}

func (rec *Record) applyEvent(l *Line) error {
	switch l.Verb {
	case VerbAnswered:
		rec.window = nil
	case VerbSame:
		rec.forget()
	case VerbRun:
		rec.SuspectWindow()
		rec.forget() // nothing begins before the drive was compared
		if rec.Runs == 0 {
			rec.Started = l.Time
		}
		rec.Runs = int(max(int64(rec.Runs)+1, min(l.Numbers[0], 1<<31-1)))
		rec.Stopped = ""
	case VerbWrittenBy:
		return rec.wroteOn(l.Texts[0])
	case VerbGone:
		rec.PowerOff = true
	case VerbStop:
		rec.Stopped = l.Texts[0]
	case VerbClock:
		rec.Clock = Clock{l.Numbers[0], l.Numbers[1], time.Duration(l.Numbers[2]) * time.Millisecond}
	case VerbEnd:
		rec.Image = &l.Digest
	case VerbFrom:
		if l.Numbers[0] != int64(len(rec.From)+1) || len(rec.From) == 255 {
			return fmt.Errorf("captures are not numbered from 1 on, one by one")
		}
		rec.From = append(rec.From, l.Texts[0])
	case VerbOrigin:
		if l.Numbers[0] < 1 || l.Numbers[0] > int64(len(rec.From)) {
			return fmt.Errorf("there is no capture %d", l.Numbers[0])
		}
		rec.origins.Set(l.Span, uint16(l.Numbers[0]))
	}
	return nil
}

func (rec *Record) applyUnstable(l *Line) error {
	if l.Span.Count != 1 {
		return fmt.Errorf("more than one sector in a line %q", l.Verb)
	}
	v := l.Variants
	if len(v) > 8 {
		return fmt.Errorf("more than 8 answers of one sector")
	}
	for i := range v {
		if v[i].Data != nil && len(v[i].Data) != rec.SectorSize {
			return fmt.Errorf("an answer of %d bytes in a sector of %d", len(v[i].Data), rec.SectorSize)
		}
	}
	if rec.Keeps(l.Span.Start) {
		rec.answers[l.Span.Start] = v
	}
	rec.States.Set(l.Span, Unstable)
	rec.Image = nil
	return nil
}

// wroteOn takes in which version of the program writes from here on.
func (rec *Record) wroteOn(program string) error {
	if err := disk.CheckWriter(program); err != nil {
		return err
	}
	if !slices.Contains(rec.Programs, program) && len(rec.Programs) < maxPrograms {
		rec.Programs = append(rec.Programs, program)
	}
	return nil
}

// SuspectWindow judges what was about to be read when the last run was cut
// off. A large window that was cut off says little: its parts are read again,
// each announced alone. A read that was announced alone, or that let the drive
// be silent for a while, is in doubt: its sectors come last of all, one by one.
// A single sector to which that happens twice is hung.
func (rec *Record) SuspectWindow() {
	for _, w := range rec.window {
		one := len(rec.window) == 1 && int64(w.Count)*int64(rec.SectorSize) <= BlockBytes
		rec.States.Each(w, func(s disk.Span, st State) bool {
			if st.InImage() && (rec.silent || one && rec.wary.Get(s.Start)) {
				rec.weak.Set(s, true)
			} else if st.InImage() {
				rec.wary.Set(s, true)
			}
			return true
		})
		if one && w.Count == 1 && rec.States.Get(w.Start) == Hung {
			rec.doubt.Set(w, true) // asked for, and the last of all that is asked for again
		}
		wasSuspect := rec.States.Spans(w, Suspect)
		for _, s := range rec.States.Spans(w, Unread, Failed, Tight, Left, Suspect) {
			alone := one && (rec.silent || len(wasSuspect.Within(s)) > 0)
			if alone && w.Count == 1 && rec.doubt.Get(w.Start) {
				rec.States.Set(s, Hung)
				continue
			}
			rec.States.Set(s, Suspect)
			if alone {
				rec.doubt.Set(s, true)
			}
		}
	}
	rec.window, rec.silent = nil, false
}

// storedBy returns the digest of what the image holds in the span of a line.
func storedBy(l *Line) (Digest, bool) {
	switch {
	case l.Verb == VerbGood:
		return l.Digest, true
	case l.Verb == VerbUnstable && len(l.Variants) > 0:
		return l.Variants[0].Digest, true
	}
	return Digest{}, false
}

// freshen remembers what was said of sectors, other than known ones, since the
// drive was last compared with what was read of it before.
func (rec *Record) freshen(l *Line) {
	switch l.Verb {
	case VerbGood, VerbMissing, VerbFailed, VerbTight:
		for _, s := range rec.States.Spans(l.Span, Unread, Missing, Skipped, Failed, Tight, Left, Suspect, Hung) {
			rec.fresh.Set(s, true)
			if l.Verb == VerbGood && !rec.live {
				rec.latest = append(rec.latest[max(0, len(rec.latest)-latestKept+1):], s)
			}
		}
	}
}

// forget is called where the drive was compared.
func (rec *Record) forget() { rec.fresh, rec.latest = disk.NewValues[bool](rec.Sectors), nil }

// Proven returns the sectors that were read before the last proof.
func (rec *Record) Proven() disk.Spans {
	var out disk.Spans
	for _, s := range rec.Read() {
		out = append(out, rec.fresh.Spans(s, false)...)
	}
	return out
}

// maxPrograms bounds how many versions of the program one record may name: by hand,
// no source; each run names at most one, and a damaged record must not fill memory.
const maxPrograms = 1000
