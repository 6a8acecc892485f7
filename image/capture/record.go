package capture

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// Fill is what stands in the image for a missing sector.
type Fill string

// The fills.
const (
	FillPattern Fill = "pattern" // a text with the sector's own number
	FillZero    Fill = "zero"
)

// Geometry is what the record says of the drive before anything was read.
type Geometry struct {
	Sectors    disk.Sector
	SectorSize int // bytes
	Identity   image.Identity
	MissingAs  Fill
}

// Whole returns the span of all sectors.
func (g Geometry) Whole() disk.Span { return disk.Span{Count: g.Sectors} }

// state is what is known of one sector.
type state uint8

const (
	unread state = iota
	good
	unstable
	missing
	skipped
	failed  // a large read failed in it
	tight   // a small read failed in it
	left    // near a failure
	suspect // about to be read when a run was cut off
	hung    // part of a larger read that never returned
)

// inImage tells whether the image holds the sector as read.
func (s state) inImage() bool { return s == good || s == unstable }

// Clock counts what a capture has cost the drive, over all its runs.
type Clock struct {
	Reads  int64
	Errors int64         // reads that failed
	Slow   time.Duration // spent in reads that were slow, good or not
}

// Record is what a record says, summed up: a later line overrules an earlier
// one, and only the changes from sector to sector are kept in memory.
type Record struct {
	Geometry
	Clock
	Form      int64     // of the record
	Programs  []string  // the versions of the program that wrote it, each once
	Runs      int       // how often the program was started
	Started   time.Time // the first of them
	Lines     int64     // so far
	Torn      bool      // the last line was being written when a run was cut off
	Image     *record.Digest
	ImageSize int64         // bytes, where Image is not nil
	Stopped   string        // why the last run ended, empty if it was cut off
	From      []string      // merged: the names of the captures, from 1
	origins   *runs[uint16] // merged: which of them
	states    *runs[state]  //
	looks     *runs[uint8]  // how often a sector was read with the same result
	twins     map[disk.Sector][]record.Variant
	window    []disk.Span // of the last line "about"
	tail      []tailLine  // lines about the image after the last mark
	silent    bool        // and the drive did not answer for a while
	doubt     *runs[bool] // suspect: announced alone, and no answer came
	wary      *runs[bool] // known: announced again with others, and no answer came
	fresh     *runs[bool] // tried since the drive was last compared with what it was
	latest    []disk.Span // the last good reads of them
	weak      *runs[bool] // known, but a later look failed
	end       record.Appender
	powerOff  bool           // the drive went, or hung, since the last look
	live      bool           // of a run that goes on: its own lines need no check
	sums      []stored       // of the lines about what the image holds
	summed    *runs[int32]   // which of them is the last about a sector, from 1
	Damage    *record.Damage // nil if every line of the record is as it was written
	salvaged  bool           // the lines may have gaps
	sized     bool           // salvaged: the record tells the size of the drive
}

// stored is what the image holds in a span, by a line of the record.
type stored struct {
	span disk.Span
	sum  record.Digest
}

// tailLine is a line about the image that no mark covers yet.
type tailLine struct {
	number int64 // of the line, from 1
	record.Line
}

// maxTail bounds the lines that one mark may leave unmarked. The engine marks
// every 64 MiB; a sector of 512 bytes in each line would make 131,072.
const maxTail = 1 << 18

// maxUnstable is how many unstable sectors keep their answers in memory and in
// the record; those beyond keep digests alone. By hand, no source: a drive with more
// of them answers nothing, and 4,096 of 4 KiB with a few answers each take some
// tens of MiB.
const maxUnstable = 4096

// ReadRecord reads a whole record. In memory it keeps the changes from sector to
// sector, and one digest for each line about data. A record that is damaged is
// a *record.FormatError, one of a later program a *disk.NewerFormError.
func ReadRecord(r io.Reader) (*Record, error) {
	s := record.NewScanner(r)
	rec := &Record{twins: map[disk.Sector][]record.Variant{}}
	if err := rec.readOpening(s); err != nil {
		return nil, err
	}
	for {
		l, err := s.Next()
		if err == io.EOF {
			rec.Torn = s.Torn()
			rec.end = s.Appender()
			return rec, nil
		}
		if err == nil {
			err = rec.apply(&l)
		}
		var f *record.FormatError
		if err != nil && !errors.As(err, &f) {
			err = s.Wrong(err)
		}
		if err != nil {
			return nil, err
		}
	}
}

// readOpening reads up to and with the line that says what stands for a
// missing sector.
func (rec *Record) readOpening(s *record.Scanner) error {
	next := func(want record.Verb) (record.Line, error) {
		for {
			l, err := s.Next()
			switch {
			case err == io.EOF:
				return l, s.Fail("the record ends before its line %q", want)
			case err != nil:
				return l, err
			case l.Verb == record.VerbWords && want == record.VerbRecord:
				continue
			case l.Verb != want:
				return l, s.Fail("a line %q stands where %q belongs", l.Verb, want)
			}
			return l, nil
		}
	}
	l, err := next(record.VerbRecord)
	if err != nil {
		return err
	}
	if err := rec.takeForm(l.Numbers[0]); err != nil {
		return err
	}
	var whole, drive, fill record.Line
	for _, p := range []struct {
		verb record.Verb
		to   *record.Line
	}{{record.VerbDisk, &whole}, {record.VerbDrive, &drive}, {record.VerbMissingAs, &fill}} {
		if *p.to, err = next(p.verb); err != nil {
			return err
		}
	}
	rec.Sectors, rec.SectorSize = disk.Sector(whole.Numbers[0]), int(min(whole.Numbers[1], 1<<20))
	rec.Identity = image.Identity{Model: drive.Texts[0], Serial: drive.Texts[1], Bus: drive.Texts[2], Removable: drive.Texts[3] == "removable"}
	rec.MissingAs = Fill(fill.Texts[0])
	if err := rec.Geometry.check(); err != nil {
		return s.Fail("%v", err)
	}
	rec.room()
	rec.Lines = s.Appender().Lines
	return nil
}

// takeForm takes in which form the record has. A newer one is no damage: it is
// not salvaged, and nothing is added to it.
func (rec *Record) takeForm(n int64) error {
	switch {
	case n > record.Version:
		return &disk.NewerFormError{What: "record", Form: n, Most: record.Version}
	case n < 1:
		return fmt.Errorf("there is no form %d of a record", n)
	}
	rec.Form = n
	return nil
}

// room makes room for what is said of sectors, once their number is known.
func (rec *Record) room() {
	rec.states, rec.looks = newRuns[state](rec.Sectors), newRuns[uint8](rec.Sectors)
	rec.origins, rec.weak = newRuns[uint16](rec.Sectors), newRuns[bool](rec.Sectors)
	rec.doubt, rec.wary, rec.fresh = newRuns[bool](rec.Sectors), newRuns[bool](rec.Sectors), newRuns[bool](rec.Sectors)
	rec.summed = newRuns[int32](rec.Sectors)
}

func (g Geometry) check() error {
	if err := image.CheckSectorSize(g.SectorSize); err != nil {
		return err
	}
	if g.Sectors <= 0 || g.Sectors > (1<<62)/disk.Sector(g.SectorSize) {
		return fmt.Errorf("a disk of %d sectors is not possible", g.Sectors)
	}
	if g.MissingAs != FillPattern && g.MissingAs != FillZero {
		return fmt.Errorf("%q is no fill for missing sectors", g.MissingAs)
	}
	return nil
}

var verbStates = map[record.Verb]state{
	record.VerbGood: good, record.VerbMissing: missing, record.VerbSkipped: skipped,
	record.VerbFailed: failed, record.VerbTight: tight, record.VerbLeft: left, record.VerbHung: hung, record.VerbWanted: unread,
}

// apply takes in one more line.
func (rec *Record) apply(l *record.Line) error {
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
	case record.VerbMissing, record.VerbHung:
		rec.powerOff = rec.powerOff || l.Verb == record.VerbHung
		return rec.remember(l)
	case record.VerbUnstable:
		if err := rec.applyUnstable(l); err != nil {
			return err
		}
		return rec.remember(l)
	case record.VerbGood:
		if err := rec.remember(l); err != nil {
			return err
		}
		rec.looks.set(l.Span, 1)
	case record.VerbAgain:
		rec.looks.set(l.Span, uint8(min(l.Numbers[0], 255)))
		rec.powerOff = false
	case record.VerbWeak:
		rec.weak.set(l.Span, true)
	case record.VerbAbout:
		rec.window, rec.silent = l.Spans, false
	case record.VerbSilent:
		rec.window, rec.silent = []disk.Span{l.Span}, true
	case record.VerbSync:
		rec.tail = slices.DeleteFunc(rec.tail, func(t tailLine) bool { return t.number < l.Numbers[0] })
	case record.VerbRecord, record.VerbDisk, record.VerbDrive, record.VerbMissingAs:
		return fmt.Errorf("a second line %q", l.Verb)
	default:
		return rec.applyEvent(l)
	}
	return nil
}

// remember keeps a line about the image until a mark covers it.
func (rec *Record) remember(l *record.Line) error {
	if rec.live {
		return nil
	}
	if sum, ok := storedBy(l); ok && len(rec.sums) < 1<<31-1 {
		rec.sums = append(rec.sums, stored{l.Span, sum})
		rec.summed.set(l.Span, int32(len(rec.sums)))
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

func (rec *Record) setState(s disk.Span, st state) {
	if st == hung && s.Count == 1 {
		st = missing // it was tried alone, and there is nothing more to learn
	}
	rec.states.set(s, st)
	rec.Image = nil
}

func (rec *Record) applyEvent(l *record.Line) error {
	switch l.Verb {
	case record.VerbAnswered:
		rec.window = nil
	case record.VerbSame:
		rec.forget()
	case record.VerbRun:
		rec.suspectWindow()
		rec.forget() // nothing begins before the drive was compared
		if rec.Runs == 0 {
			rec.Started = l.Time
		}
		rec.Runs = int(max(int64(rec.Runs)+1, min(l.Numbers[0], 1<<31-1)))
		rec.Stopped = ""
	case record.VerbWrittenBy:
		return rec.wroteOn(l.Texts[0])
	case record.VerbGone:
		rec.powerOff = true
	case record.VerbStop:
		rec.Stopped = l.Texts[0]
	case record.VerbClock:
		rec.Clock = Clock{l.Numbers[0], l.Numbers[1], time.Duration(l.Numbers[2]) * time.Millisecond}
	case record.VerbEnd:
		rec.Image, rec.ImageSize = &l.Digest, l.Numbers[0]
	case record.VerbFrom:
		if l.Numbers[0] != int64(len(rec.From)+1) || len(rec.From) == 255 {
			return fmt.Errorf("captures are not numbered from 1 on, one by one")
		}
		rec.From = append(rec.From, l.Texts[0])
	case record.VerbOrigin:
		if l.Numbers[0] < 1 || l.Numbers[0] > int64(len(rec.From)) {
			return fmt.Errorf("there is no capture %d", l.Numbers[0])
		}
		rec.origins.set(l.Span, uint16(l.Numbers[0]))
	}
	return nil
}

// maxPrograms bounds how many versions of the program one record may name: by hand,
// no source; each run names at most one, and a damaged record must not fill memory.
const maxPrograms = 1000

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

func (rec *Record) applyUnstable(l *record.Line) error {
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
	if _, known := rec.twins[l.Span.Start]; known || len(rec.twins) < maxUnstable {
		rec.twins[l.Span.Start] = v
	}
	rec.states.set(l.Span, unstable)
	rec.Image = nil
	return nil
}

// opening returns the lines with which every record begins.
func opening(a *record.Appender, g Geometry) []byte {
	out := a.Words()
	kind := "fixed"
	if g.Identity.Removable {
		kind = "removable"
	}
	for _, l := range []record.Line{
		{Verb: record.VerbRecord, Numbers: []int64{record.Version}},
		{Verb: record.VerbDisk, Numbers: []int64{int64(g.Sectors), int64(g.SectorSize)}},
		{Verb: record.VerbDrive, Texts: []string{g.Identity.Model, g.Identity.Serial, g.Identity.Bus, kind}},
		{Verb: record.VerbMissingAs, Texts: []string{string(g.MissingAs)}},
	} {
		out = append(out, a.Line(&l)...)
	}
	return out
}
