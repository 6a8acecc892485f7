package record

import (
	"bootgraft/image"
	"bootgraft/image/disk"
)

// State is what is known of one sector.
type State uint8

// The states.
const (
	Unread   State = iota // not tried
	Good                  // read
	Unstable              // it answered differently from one time to the next
	Missing               // tried alone, and the drive failed
	Skipped               // left out as asked
	Failed                // a large read failed in it
	Tight                 // a small read failed in it
	Left                  // near a failure
	Suspect               // about to be read when a run was cut off
	Hung                  // part of a larger read that never returned
)

// InImage tells whether the image holds the sector as read.
func (s State) InImage() bool { return s == Good || s == Unstable }

var verbStates = map[Verb]State{
	VerbGood: Good, VerbMissing: Missing, VerbSkipped: Skipped,
	VerbFailed: Failed, VerbTight: Tight, VerbLeft: Left, VerbHung: Hung, VerbWanted: Unread,
}

// stateVerbs say that sectors are in a state; those of data have lines of their
// own.
var stateVerbs = map[State]Verb{
	Missing: VerbMissing, Skipped: VerbSkipped, Failed: VerbFailed, Tight: VerbTight, Left: VerbLeft, Hung: VerbHung,
}

// Unknown returns the sectors that the image does not hold as read.
func (rec *Record) Unknown() disk.Spans {
	return rec.States.Spans(rec.Whole(), Unread, Missing, Skipped, Failed, Tight, Left, Suspect, Hung)
}

// State says why a sector is not known. Sectors that only failed as part of a
// larger read are Unread.
func (rec *Record) State(x disk.Sector) image.State {
	switch rec.States.Get(x) {
	case Missing:
		return image.Missing
	case Skipped:
		return image.Skipped
	}
	return image.Unread
}

// Read returns the sectors that were read. With those of Missing, Unread,
// Skipped and Unstable they are the whole disk.
func (rec *Record) Read() disk.Spans { return rec.States.Spans(rec.Whole(), Good) }

// Missing returns the sectors that were tried alone, and failed.
func (rec *Record) Missing() disk.Spans { return rec.States.Spans(rec.Whole(), Missing) }

// Skipped returns the sectors that were left out as asked.
func (rec *Record) Skipped() disk.Spans { return rec.States.Spans(rec.Whole(), Skipped) }

// Unstable returns the sectors that answered differently.
func (rec *Record) Unstable() disk.Spans { return rec.States.Spans(rec.Whole(), Unstable) }

// Unread returns the sectors that were not tried alone.
func (rec *Record) Unread() disk.Spans {
	return rec.States.Spans(rec.Whole(), Unread, Failed, Tight, Left, Suspect, Hung)
}

// Hung returns the unread sectors among which one let a read never return.
func (rec *Record) Hung() disk.Spans { return rec.States.Spans(rec.Whole(), Hung) }

// Weak returns the known sectors of which a later look failed.
func (rec *Record) Weak() disk.Spans { return rec.weak.Spans(rec.Whole(), true) }

// Variants returns the answers of an unstable sector, the one in the image
// first; nil for any other sector, or where there were too many to keep.
func (rec *Record) Variants(x disk.Sector) []Variant { return rec.answers[x] }

// Origins returns, for a merged capture, which sectors came from the capture
// with the given number, counted from 1 as in Record.From.
func (rec *Record) Origins(number int) disk.Spans {
	return rec.origins.Spans(rec.Whole(), uint16(number))
}

// Lacking returns the first run of s of which every sector was read fewer than n
// times. A look that failed is not repeated: the sector is known.
func (rec *Record) Lacking(s disk.Span, n int) (found disk.Span, ok bool) {
	rec.Looks.Each(s, func(p disk.Span, have uint8) bool {
		if int(have) >= n {
			return !ok
		}
		rec.weak.Each(p, func(q disk.Span, weak bool) bool {
			switch {
			case weak:
				return !ok
			case !ok:
				found, ok = q, true
			default:
				found.Count += q.Count
			}
			return true
		})
		return !ok || found.End() == p.End()
	})
	return found, ok
}

// Solid tells whether a sector was read, and no later look at it failed.
func (rec *Record) Solid(x disk.Sector) bool { return !rec.weak.Get(x) && rec.States.Get(x) == Good }

// InDoubt returns the sectors of s that were announced alone, and no answer came, or
// the others.
func (rec *Record) InDoubt(s disk.Span, doubt bool) disk.Spans { return rec.doubt.Spans(s, doubt) }

// Wary tells whether a known sector of s was announced again, and no answer came.
func (rec *Record) Wary(s disk.Span) bool {
	_, wary := rec.wary.First(s, true)
	return wary
}

// Fresh returns the sectors of which something was said since the drive was last
// compared with what was read of it.
func (rec *Record) Fresh() disk.Spans { return rec.fresh.Spans(rec.Whole(), true) }

// Latest returns the last good reads of these, in order; none of the run that goes on.
func (rec *Record) Latest() []disk.Span { return rec.latest }
