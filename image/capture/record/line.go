package record

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Digest is a SHA-256.
type Digest [sha256.Size]byte

func (d Digest) String() string { return hex.EncodeToString(d[:]) }

// Verb is the first word of a line of the record.
type Verb string

// The verbs. Those about sectors overrule earlier lines about the same sectors.
const (
	VerbWords     Verb = "#"          // words for people
	VerbRecord    Verb = "record"     // version of the record
	VerbDisk      Verb = "disk"       // sectors and bytes in one sector
	VerbDrive     Verb = "drive"      // model, serial number, bus, removable or fixed
	VerbMissingAs Verb = "missing-as" // what stands in the image for a missing sector
	VerbRun       Verb = "run"        // a run of the program begins
	VerbWrittenBy Verb = "written-by" // version of the program that wrote what follows; from form 2 on
	VerbGood      Verb = "good"       // read; the digest is of what was read
	VerbAgain     Verb = "again"      // read once more, the same; number of the look
	VerbUnstable  Verb = "unstable"   // one sector that answered differently
	VerbWeak      Verb = "weak"       // known, but a later look failed
	VerbMissing   Verb = "missing"    // each sector tried alone, and failed
	VerbFailed    Verb = "failed"     // a large read failed somewhere in it
	VerbTight     Verb = "tight"      // a small read failed somewhere in it
	VerbLeft      Verb = "left"       // near a failure, left for later
	VerbSkipped   Verb = "skipped"    // left out as asked
	VerbWanted    Verb = "wanted"     // was left out, and is asked for now
	VerbAbout     Verb = "about"      // what is going to be read next
	VerbSilent    Verb = "silent"     // it is read now, and no answer comes
	VerbSame      Verb = "same"       // the drive still holds what was read before
	VerbAnswered  Verb = "answered"   // every read of it has returned
	VerbHung      Verb = "hung"       // no answer in a minute
	VerbGone      Verb = "gone"       // the drive was no longer there
	VerbStop      Verb = "stop"       // why the run ended
	VerbSync      Verb = "sync"       // all before it is on the disk, data and lines
	VerbClock     Verb = "clock"      // reads, failed reads, milliseconds of slow ones
	VerbFrom      Verb = "from"       // merged: number and name of a capture
	VerbOrigin    Verb = "origin"     // merged: these sectors come from that capture
	VerbEnd       Verb = "end"        // digest of the whole image file, its bytes
)

// field is one kind of word in a line.
type field int

const (
	fSpan     field = iota
	fSpans          // one or more
	fDigest         //
	fFault          //
	fNumber         // not negative
	fText           // quoted
	fWord           // letters, digits and hyphens
	fTime           // RFC 3339, UTC
	fVariants       // one or more
)

var forms = map[Verb][]field{
	VerbRecord:    {fNumber},
	VerbDisk:      {fNumber, fNumber},
	VerbDrive:     {fText, fText, fText, fWord},
	VerbMissingAs: {fWord},
	VerbRun:       {fNumber, fTime},
	VerbWrittenBy: {fText},
	VerbGood:      {fSpan, fDigest},
	VerbAgain:     {fSpan, fNumber},
	VerbUnstable:  {fSpan, fVariants},
	VerbWeak:      {fSpan, fFault},
	VerbMissing:   {fSpan, fFault},
	VerbFailed:    {fSpan, fFault},
	VerbTight:     {fSpan, fFault},
	VerbLeft:      {fSpan},
	VerbSkipped:   {fSpan},
	VerbWanted:    {fSpan},
	VerbAbout:     {fSpans},
	VerbSilent:    {fSpan},
	VerbSame:      {},
	VerbAnswered:  {},
	VerbHung:      {fSpan},
	VerbGone:      {fFault},
	VerbStop:      {fWord},
	VerbSync:      {fNumber},
	VerbClock:     {fNumber, fNumber, fNumber},
	VerbFrom:      {fNumber, fText},
	VerbOrigin:    {fSpan, fNumber},
	VerbEnd:       {fDigest, fNumber},
}

// Line is one line of the record. Which fields it has depends on its verb.
type Line struct {
	Verb     Verb
	Span     disk.Span
	Spans    []disk.Span
	Digest   Digest
	Fault    image.Fault
	Numbers  []int64
	Texts    []string // quoted texts, and words
	Time     time.Time
	Variants []Variant
}

// Variant is one of the answers of an unstable sector.
type Variant struct {
	Times  int // how often it was read
	Digest Digest
	Data   []byte // nil where there were too many to keep
}

// MaxLine is the longest line of a record in bytes, its end included: part of the
// form (see the package comment). Chosen by hand, no source: no
// reader needs more memory than that for a line, whatever the record holds.
const MaxLine = 64 << 10

// Text returns the line without its checksum and newline.
func (l *Line) Text() string {
	if l.Verb == VerbWords {
		return strings.TrimRight("# "+l.Texts[0], " ")
	}
	var b strings.Builder
	b.WriteString(string(l.Verb))
	numbers, texts := l.Numbers, l.Texts
	for _, f := range forms[l.Verb] {
		switch f {
		case fNumber:
			fmt.Fprintf(&b, " %d", numbers[0])
			numbers = numbers[1:]
		case fText:
			b.WriteString(" " + strconv.QuoteToASCII(texts[0]))
			texts = texts[1:]
		case fWord:
			b.WriteString(" " + texts[0])
			texts = texts[1:]
		default:
			l.writeField(&b, f)
		}
	}
	return b.String()
}

func (l *Line) writeField(b *strings.Builder, f field) {
	switch f {
	case fSpan:
		b.WriteString(" " + l.Span.String())
	case fSpans:
		for _, s := range l.Spans {
			b.WriteString(" " + s.String())
		}
	case fDigest:
		b.WriteString(" " + l.Digest.String())
	case fFault:
		b.WriteString(" " + string(l.Fault))
	case fTime:
		b.WriteString(" " + l.Time.UTC().Format(time.RFC3339))
	case fVariants:
		for _, v := range l.Variants {
			data := "-"
			if v.Data != nil {
				data = base64.StdEncoding.EncodeToString(v.Data)
			}
			fmt.Fprintf(b, " %d:%s:%s", v.Times, v.Digest, data)
		}
	}
}

// Parse reads what Text writes, and nothing else: a line that would be
// written in another way is refused.
func Parse(s string) (Line, error) {
	verb, rest, _ := strings.Cut(s, " ")
	l := Line{Verb: Verb(verb)}
	if l.Verb == VerbWords {
		l.Texts = []string{rest}
		return l, sameText(&l, s)
	}
	form, ok := forms[l.Verb]
	if !ok {
		return l, fmt.Errorf("%q is no word that this version knows", verb)
	}
	for _, f := range form {
		var err error
		if rest, err = l.parseField(f, rest); err != nil {
			return l, fmt.Errorf("in a line %q: %w", verb, err)
		}
	}
	return l, sameText(&l, s)
}

func sameText(l *Line, s string) error {
	if l.Text() != s {
		return fmt.Errorf("a line %q is not written as the record writes it", l.Verb)
	}
	return nil
}

func (l *Line) parseField(f field, s string) (rest string, err error) {
	if f == fText {
		q, err := strconv.QuotedPrefix(s)
		if err != nil {
			return "", fmt.Errorf("a quoted text is missing")
		}
		t, err := strconv.Unquote(q)
		l.Texts = append(l.Texts, t)
		return strings.TrimPrefix(s[len(q):], " "), err
	}
	for word := ""; ; {
		word, s, _ = strings.Cut(s, " ")
		if err = l.parseWord(f, word); err != nil || s == "" || (f != fSpans && f != fVariants) {
			return s, err
		}
	}
}

func (l *Line) parseWord(f field, word string) (err error) {
	switch f {
	case fNumber:
		var n uint64
		n, err = strconv.ParseUint(word, 10, 63)
		l.Numbers = append(l.Numbers, int64(n))
	case fWord:
		if word == "" || strings.Trim(word, "abcdefghijklmnopqrstuvwxyz0123456789-") != "" {
			err = fmt.Errorf("%q is not a word", word)
		}
		l.Texts = append(l.Texts, word)
	case fSpan:
		l.Span, err = parseSpan(word)
	case fSpans:
		var s disk.Span
		s, err = parseSpan(word)
		l.Spans = append(l.Spans, s)
	case fDigest:
		l.Digest, err = parseDigest(word)
	case fFault:
		l.Fault = image.Fault(word)
		if !l.Fault.Valid() && l.Fault != Near {
			err = fmt.Errorf("%q is no kind of fault", word)
		}
	case fTime:
		l.Time, err = time.Parse(time.RFC3339, word)
	case fVariants:
		var v Variant
		v, err = parseVariant(word)
		l.Variants = append(l.Variants, v)
	}
	return err
}

func parseSpan(s string) (disk.Span, error) {
	a, b, _ := strings.Cut(s, "+")
	start, err1 := strconv.ParseUint(a, 10, 62)
	count, err2 := strconv.ParseUint(b, 10, 62)
	if err1 != nil || err2 != nil || count == 0 {
		return disk.Span{}, fmt.Errorf("%q is not START+COUNT", s)
	}
	return disk.Span{Start: disk.Sector(start), Count: disk.Sector(count)}, nil
}

func parseDigest(s string) (d Digest, err error) {
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != len(d) {
		return d, fmt.Errorf("%q is not a SHA-256", s)
	}
	return Digest(b), nil
}

func parseVariant(s string) (v Variant, err error) {
	part := strings.Split(s, ":")
	if len(part) != 3 {
		return v, fmt.Errorf("%q is not TIMES:SHA-256:DATA", s)
	}
	times, err := strconv.ParseUint(part[0], 10, 16)
	if err != nil {
		return v, err
	}
	v.Times = int(times)
	if v.Digest, err = parseDigest(part[1]); err != nil || part[2] == "-" {
		return v, err
	}
	if v.Data, err = base64.StdEncoding.DecodeString(part[2]); err != nil {
		return v, err
	}
	if len(v.Data) == 0 || Digest(sha256.Sum256(v.Data)) != v.Digest {
		return v, fmt.Errorf("the bytes of a variant do not have its SHA-256")
	}
	return v, nil
}

// Near stands for the fault in a line about sectors that were not read at all,
// because the ones beside them failed.
const Near image.Fault = "near"
