package record

import (
	"errors"
	"fmt"
	"io"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Drive is what the record says of the drive before anything was read.
type Drive struct {
	Sectors    disk.Sector
	SectorSize int // bytes
	Identity   image.Identity
	MissingAs  Fill
}

// Whole returns the span of all sectors.
func (g Drive) Whole() disk.Span { return disk.Span{Count: g.Sectors} }

// Check is an error if no drive can be like that.
func (g Drive) Check() error {
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

// Clock counts what a capture has cost the drive, over all its runs.
type Clock struct {
	Reads  int64
	Errors int64         // reads that failed
	Slow   time.Duration // spent in reads that were slow, good or not
}

// Record is what a record says, summed up: a later line overrules an earlier
// one, and only the changes from sector to sector are kept in memory.
type Record struct {
	Drive
	Clock
	Form     int64     // of the record
	Programs []string  // the versions of the program that wrote it, each once
	Runs     int       // how often the program was started
	Started  time.Time // the first of them
	Lines    int64     // so far
	Torn     bool      // the last line was being written when a run was cut off
	Image    *Digest
	Stopped  string               // why the last run ended, empty if it was cut off
	From     []string             // merged: the names of the captures, from 1
	origins  *disk.Values[uint16] // merged: which of them
	States   *disk.Values[State]  //
	Looks    *disk.Values[uint8]  // how often a sector was read with the same result
	answers  map[disk.Sector][]Variant
	window   []disk.Span        // of the last line "about"
	tail     []tailLine         // lines about the image after the last mark
	silent   bool               // and the drive did not answer for a while
	doubt    *disk.Values[bool] // suspect: announced alone, and no answer came
	wary     *disk.Values[bool] // known: announced again with others, and no answer came
	fresh    *disk.Values[bool] // tried since the drive was last compared with what it was
	latest   []disk.Span        // the last good reads of them
	weak     *disk.Values[bool] // known, but a later look failed
	End      Appender
	PowerOff bool                // the drive went, or hung, since the last look
	live     bool                // of a run that goes on: its own lines need no check
	sums     []stored            // of the lines about what the image holds
	summed   *disk.Values[int32] // which of them is the last about a sector, from 1
	Damage   *Damage             // nil if every line of the record is as it was written
	Told     []disk.Finding      // about the bridge
	salvaged bool                // the lines may have gaps

	OtherUnits []int  // merged: numbers of the captures that are of another unit
	UnitNames  []Mark // bytes taken from them that name a unit

	BridgeChecked bool // and no more is to be told of it
	sized         bool // salvaged: the record tells the size of the drive
}

// stored is what the image holds in a span, by a line of the record.
type stored struct {
	Span disk.Span
	Sum  Digest
}

// tailLine is a line about the image that no mark covers yet.
type tailLine struct {
	number int64 // of the line, from 1
	Line
}

// maxTail bounds the lines that one mark may leave unmarked. The engine marks
// every 64 MiB; a sector of 512 bytes in each line would make 131,072.
const maxTail = 1 << 18

// maxUnstable is how many unstable sectors keep their answers in memory and in
// the record; those beyond keep digests alone. By hand, no source: a drive with more
// of them answers nothing, and 4,096 of 4 KiB with a few answers each take some
// tens of MiB.
const maxUnstable = 4096

// latestKept is how many reads before the end of a run that was cut off are
// remembered: as many of full size as come between two proofs (syncBytes).
const latestKept = 64

// Read reads a whole record. In memory it keeps the changes from sector to
// sector, and one digest for each line about data. A record that is damaged is
// a *LineError, one of a later program a *disk.NewerFormError.
func Read(r io.Reader) (*Record, error) {
	s := NewScanner(r)
	rec := &Record{answers: map[disk.Sector][]Variant{}}
	if err := rec.readOpening(s); err != nil {
		return nil, err
	}
	for {
		l, err := s.Next()
		if err == io.EOF {
			rec.Torn = s.Torn()
			rec.End = s.Appender()
			return rec, nil
		}
		if err == nil {
			err = rec.Apply(&l)
		}
		var f *LineError
		if err != nil && !errors.As(err, &f) {
			err = s.wrong(err)
		}
		if err != nil {
			return nil, err
		}
	}
}

// readOpening reads up to and with the line that says what stands for a
// missing sector.
func (rec *Record) readOpening(s *Scanner) error {
	next := func(want Verb) (Line, error) {
		for {
			l, err := s.Next()
			switch {
			case err == io.EOF:
				return l, s.Fail("the record ends before its line %q", want)
			case err != nil:
				return l, err
			case l.Verb == VerbWords && want == VerbRecord:
				continue
			case l.Verb != want:
				return l, s.Fail("a line %q stands where %q belongs", l.Verb, want)
			}
			return l, nil
		}
	}
	l, err := next(VerbRecord)
	if err != nil {
		return err
	}
	if err := rec.takeForm(l.Numbers[0]); err != nil {
		return err
	}
	var whole, drive, fill Line
	for _, p := range []struct {
		verb Verb
		to   *Line
	}{{VerbDisk, &whole}, {VerbDrive, &drive}, {VerbMissingAs, &fill}} {
		if *p.to, err = next(p.verb); err != nil {
			return err
		}
	}
	rec.Sectors, rec.SectorSize = disk.Sector(whole.Numbers[0]), int(min(whole.Numbers[1], 1<<20))
	rec.Identity = image.Identity{Model: drive.Texts[0], Serial: drive.Texts[1], Bus: drive.Texts[2],
		Removable: drive.Texts[3] == "removable"}
	rec.MissingAs = Fill(fill.Texts[0])
	if err := rec.Drive.Check(); err != nil {
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
	case n > Version:
		return &disk.NewerFormError{What: "record", Form: n, Most: Version}
	case n < 1:
		return fmt.Errorf("there is no form %d of a record", n)
	}
	rec.Form = n
	return nil
}

// room makes room for what is said of sectors, once their number is known.
func (rec *Record) room() {
	rec.States, rec.Looks = disk.NewValues[State](rec.Sectors), disk.NewValues[uint8](rec.Sectors)
	rec.origins, rec.weak = disk.NewValues[uint16](rec.Sectors), disk.NewValues[bool](rec.Sectors)
	rec.doubt, rec.wary = disk.NewValues[bool](rec.Sectors), disk.NewValues[bool](rec.Sectors)
	rec.fresh = disk.NewValues[bool](rec.Sectors)
	rec.summed = disk.NewValues[int32](rec.Sectors)
}

// GoLive says that what is applied from here on is written by this run: it needs no
// comparison with the image.
func (rec *Record) GoLive() { rec.live, rec.tail = true, nil }

// Keeps tells whether the answers of an unstable sector are kept, not their digests
// alone.
func (rec *Record) Keeps(x disk.Sector) bool {
	_, known := rec.answers[x]
	return known || len(rec.answers) < maxUnstable
}

// Opening returns the lines with which every record begins.
func Opening(a *Appender, g Drive) []byte {
	out := a.Words()
	kind := "fixed"
	if g.Identity.Removable {
		kind = "removable"
	}
	for _, l := range []Line{
		{Verb: VerbRecord, Numbers: []int64{Version}},
		{Verb: VerbDisk, Numbers: []int64{int64(g.Sectors), int64(g.SectorSize)}},
		{Verb: VerbDrive, Texts: []string{g.Identity.Model, g.Identity.Serial, g.Identity.Bus, kind}},
		{Verb: VerbMissingAs, Texts: []string{string(g.MissingAs)}},
	} {
		out = append(out, a.Line(&l)...)
	}
	return out
}

// WrittenBy is the line that says which version of the program writes on. A
// record of form 1 knows no such line, and gets it as words: the version that
// began the record can still read it.
func (rec *Record) WrittenBy(program string) Line {
	if rec.Form < 2 {
		return Line{Verb: VerbWords, Texts: []string{"This run was written by " + program}}
	}
	return Line{Verb: VerbWrittenBy, Texts: []string{program}}
}

// RecordedSize reads the beginning of a record and returns the size of its drive
// in bytes, or false if it does not say so.
func RecordedSize(r io.Reader) (size int64, known bool) {
	s := NewScanner(r)
	for {
		l, err := s.Next()
		if err != nil || l.Verb != VerbWords && l.Verb != VerbRecord && l.Verb != VerbDisk {
			return 0, false
		}
		if l.Verb == VerbDisk {
			g := Drive{Sectors: disk.Sector(l.Numbers[0]), SectorSize: int(min(l.Numbers[1], 1<<20)), MissingAs: FillZero}
			return int64(g.Sectors) * int64(g.SectorSize), g.Check() == nil
		}
	}
}
