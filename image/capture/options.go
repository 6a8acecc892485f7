package capture

import (
	"time"

	"bootgraft/image/ata"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// Options are the wishes of the owner. The zero value is the gentle default.
type Options struct {
	Looks     int         // how often boot areas are read in all; 0 means 3
	First     disk.Spans  // read before everything else, and counted as boot areas
	OnlyBoot  bool        // stop after the boot areas: the rest stays unread
	SkipFree  bool        // what nobody named is skipped
	Skip      disk.Spans  // never read these
	MissingAs record.Fill // empty means FillPattern; a capture that goes on keeps its own

	StopAfter    time.Duration // 0: no limit
	StopAfterBad int           // failed reads in this run; 0: no limit
	Work, Rest   time.Duration // rest for Rest after every Work; 0: never

	Retry     int  // how many more times missing sectors are tried, each time round after all else
	RetryHung bool // try the sectors among which a read never returned, one by one
	Hash      bool // hash the image file when nothing is left to try

	Program string // the version of the program, for the record; empty: it does not say

	CheckBridge bool          // look whether the bridge shows the drive as it is
	Says        *ata.Identify // what the drive says of itself, for that; nil if it was not asked

	HangAfter time.Duration // after which a read counts as hung; 0 means a minute
	Time      Timekeeper    // nil means wallClock
}

func (o Options) withDefaults() Options {
	if o.Looks == 0 {
		o.Looks = 3
	}
	if o.MissingAs == "" {
		o.MissingAs = record.FillPattern
	}
	if o.HangAfter == 0 {
		o.HangAfter = time.Minute
	}
	if o.Time == nil {
		o.Time = wallClock{}
	}
	return o
}

// Stop says why a run ended before everything was done. The same call goes on.
type Stop string

// The reasons. Done means that nothing was left to do.
const (
	Done         Stop = ""
	DriveGone    Stop = "drive-gone"
	DriveChanged Stop = "drive-changed" // what answers is not the drive any more; Result.Why
	DriveHangs   Stop = "drive-hangs"   // stopped by the owner while the drive did not answer
	TimeSpent    Stop = "time-spent"
	BadSpent     Stop = "bad-spent"
	Interrupted  Stop = "interrupted"
	NoSpace      Stop = "no-space"

	// ImageChanged: somebody has changed the image since the drive was read.
	// What changed counts as unread from now on; the finding image-changed says
	// where.
	ImageChanged Stop = "image-changed"
)

// Result is what a run ended with. It sums up all runs of this capture.
type Result struct {
	Stop     Stop
	Why      string // in words, for DriveChanged
	Sectors  disk.Sector
	Read     disk.Sector // good and unstable ones
	Missing  disk.Spans
	Unread   disk.Spans
	Skipped  disk.Spans
	Unstable disk.Spans
	Hung     disk.Spans     // unread: a read among them never returned
	SHA256   *record.Digest // of the image file, if it was asked for and nothing is left to try
	Clock    record.Clock
	Classes  map[Class]Tally
	Findings []disk.Finding
}

// Tally says how far a class has come, in sectors.
type Tally struct {
	Total, Safe, Lost, Skipped disk.Sector // what is left is the rest
}

// Left returns the sectors of the class that are not decided yet.
func (t Tally) Left() disk.Sector { return t.Total - t.Safe - t.Lost - t.Skipped }

// Progress is the state of a run, about once a second.
type Progress struct {
	Elapsed time.Duration
	Doing   string // a few plain words
	Class   Class
	At      disk.Sector // the last read, -1 if no sector is read now
	Classes map[Class]Tally
	Sorted  bool          // no sector changes its class any more
	Share   float64       // of the work of this run that is done, hashing included: 0 to 1
	Rate    float64       // bytes a second of good reads, of late
	Left    time.Duration // at that rate, hashing included; 0 while nothing can be said
	Clock   record.Clock
}

// EventKind tells what happened.
type EventKind string

// The events.
const (
	EventBad      EventKind = "bad"      // a read failed
	EventSlow     EventKind = "slow"     // a read was slow
	EventHang     EventKind = "hang"     // no answer for Options.HangAfter
	EventAnswered EventKind = "answered" // the read that hung has returned
	EventUnstable EventKind = "unstable" // a sector answered differently
	EventRest     EventKind = "rest"     // resting begins
	EventWork     EventKind = "work"     // and ends
	EventGone     EventKind = "gone"     // the drive is no longer there
	EventBridge   EventKind = "bridge"   // it does not show the drive as it is
	EventChanged  EventKind = "changed"  // it is another one, or has another size
)

// Event is something that happened in a run.
type Event struct {
	Kind  EventKind
	Span  disk.Span
	Took  time.Duration
	Found disk.Finding // with EventBridge
}

// Observer watches a run. Its methods are called from the goroutine of Run and
// should return soon.
type Observer interface {
	Progress(Progress)
	Event(Event)
}

type nobody struct{}

func (nobody) Progress(Progress) {}
func (nobody) Event(Event)       {}
