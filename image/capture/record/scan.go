package record

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"strconv"
)

// Version is the form of the record that this package writes; it reads this one
// and the earlier ones. Form 1 does not say which version of the program wrote it
// and has no lines "silent" and "same"; where such a capture goes on it gets some.
const Version = 2

// words open every record.
var words = []string{
	"bootgraft capture record",
	"",
	"This file belongs to the image file whose name it bears without \".record\".",
	"The image holds the sectors of an old drive, each at its own address. This",
	"record says which of them were read. Keep both files together: without the",
	"record nobody can tell what was read from what was not.",
	"",
	"Every line: eight hexadecimal digits, a blank, a text, a newline. The digits",
	"are the CRC-32 (as in zip files) of the texts of all lines up to and with this",
	"one, each text with its newline and without its digits. A last line that is not",
	"whole was being written when the run was cut off: leave it out.",
	"",
	"A span is START+COUNT in sectors. What a line says of a sector overrules what",
	"earlier lines say of it. A sector that no line names was not read.",
	"good SPAN SHA-256          read; the SHA-256 is of these bytes of the image",
	"missing SPAN FAULT         tried alone, and the drive failed; the image has a fill",
	"unstable SPAN N:SHA:DATA   answered differently; times, SHA-256, base64 of each",
	"                           answer; the first is in the image",
	"skipped SPAN               left out because the owner asked for it; wanted: no longer",
	"failed, tight, left SPAN   not read; a larger read failed in it or near it",
	"again, weak SPAN           read again: the same data, or not readable any more",
	"about SPANS, silent SPAN   about to be read, and no answer for a while: if nothing",
	"                           follows, the drive hung",
	"same                       the drive was compared with what was read of it before",
	"sync N                     the lines before line N and their data are on the disk",
	"end SHA-256 BYTES          the whole image file, as sha256sum counts it",
}

// LineError says what is wrong with a record.
type LineError struct {
	Line   int64 // counted from 1
	Offset int64 // byte of the file at which the line begins
	Why    string
}

func (e *LineError) Error() string {
	return fmt.Sprintf("the record is damaged in line %d (byte %d): %s", e.Line, e.Offset, e.Why)
}

// Scanner reads a record line by line, in the memory of one line.
type Scanner struct {
	r    *bufio.Reader
	sum  uint32
	line int64
	off  int64
	torn bool
}

// NewScanner reads a record from its beginning.
func NewScanner(r io.Reader) *Scanner { return &Scanner{r: bufio.NewReaderSize(r, MaxLine)} }

// Next returns the next whole line, or io.EOF. A last line that is not whole was
// being written when the run was cut off: it is left out, and Torn says so. It
// may end as a line does, where it was written over an announcement.
// Everything else that is not right is a FormatError.
func (s *Scanner) Next() (Line, error) {
	l, err := s.next()
	var f *LineError
	if errors.As(err, &f) {
		if _, more := s.r.Peek(1); more == io.EOF && s.line > 0 {
			s.torn = true
			return Line{}, io.EOF
		}
	}
	return l, err
}

func (s *Scanner) next() (Line, error) {
	raw, err := s.r.ReadSlice('\n')
	switch {
	case err == io.EOF:
		s.torn = len(raw) > 0
		return Line{}, io.EOF
	case err == bufio.ErrBufferFull:
		return Line{}, s.Fail("it is longer than %d bytes", MaxLine)
	case err != nil:
		return Line{}, err
	}
	if len(raw) < 10 || raw[8] != ' ' {
		return Line{}, s.Fail("it does not begin with eight digits and a blank")
	}
	want, err := strconv.ParseUint(string(raw[:8]), 16, 32)
	if err != nil || bytes.ContainsAny(raw[:8], "ABCDEF") {
		return Line{}, s.Fail("it does not begin with eight digits and a blank")
	}
	text := raw[9:]
	if got := crc32.Update(s.sum, crc32.IEEETable, text); got != uint32(want) {
		return Line{}, s.Fail("its checksum is %08x and should be %08x", want, got)
	}
	l, err := Parse(string(text[:len(text)-1]))
	if err != nil {
		return Line{}, s.Fail("%v", err)
	}
	s.sum = uint32(want)
	s.line++
	s.off += int64(len(raw))
	return l, nil
}

// Fail says what is wrong with the next line.
func (s *Scanner) Fail(why string, args ...any) error {
	return &LineError{s.line + 1, s.off, fmt.Sprintf(why, args...)}
}

// wrong says what is wrong with the line that was read last.
func (s *Scanner) wrong(err error) error { return &LineError{s.line, s.off, err.Error()} }

// Appender goes on behind the last whole line.
func (s *Scanner) Appender() Appender { return Appender{s.sum, s.line, s.off} }

// Torn tells, after io.EOF, whether the file ended in mid-line.
func (s *Scanner) Torn() bool { return s.torn }

// openingVerbs are those of the lines that open every record, the words left out.
var openingVerbs = []Verb{VerbRecord, VerbDisk, VerbDrive, VerbMissingAs}

// IsTornOpening tells whether a file is the beginning of the opening of a
// record and nothing else: a run was cut off while it wrote that, and no sector
// had been read. Of an opening that is whole this is not said.
func IsTornOpening(f interface {
	io.ReaderAt
	Size() (int64, error)
}) (bool, error) {
	size, err := f.Size()
	if err != nil || size > MaxLine {
		return false, err
	}
	have := make([]byte, size)
	if n, err := f.ReadAt(have, 0); int64(n) < size {
		return false, err
	}
	var a Appender
	fixed := a.Words()
	if len(have) <= len(fixed) {
		return bytes.HasPrefix(fixed, have), nil
	}
	if !bytes.HasPrefix(have, fixed) {
		return false, nil
	}
	s := NewScanner(bytes.NewReader(have))
	for next := 0; ; {
		l, err := s.Next()
		switch {
		case err == io.EOF:
			rest := have[s.off:]
			return next < len(openingVerbs) && beginsLine(rest, openingVerbs[next]), nil
		case err != nil:
			return false, nil // what does not read as a record is something else
		case l.Verb == VerbWords:
		case next == len(openingVerbs) || l.Verb != openingVerbs[next]:
			return false, nil
		default:
			next++
		}
	}
}

// beginsLine tells whether what is left of a torn line may be of that verb.
func beginsLine(torn []byte, v Verb) bool {
	for _, c := range torn[:min(8, len(torn))] {
		if !bytes.ContainsRune([]byte("0123456789abcdef"), rune(c)) {
			return false
		}
	}
	if len(torn) <= 8 {
		return true
	}
	want := " " + string(v) + " "
	n := min(len(torn)-8, len(want))
	return string(torn[8:8+n]) == want[:n]
}

// Appender makes the lines of a record, each with its checksum.
type Appender struct {
	sum   uint32
	Lines int64
	Off   int64 // where the next line goes in the file
}

// Line returns the next line as it goes into the file.
func (a *Appender) Line(l *Line) []byte {
	text := l.Text() + "\n"
	a.sum = crc32.Update(a.sum, crc32.IEEETable, []byte(text))
	a.Lines++
	out := fmt.Appendf(nil, "%08x %s", a.sum, text)
	a.Off += int64(len(out))
	return out
}

// Words returns the lines for people, which are the same in every record.
func (a *Appender) Words() []byte {
	var out []byte
	for _, w := range words {
		out = append(out, a.Line(&Line{Verb: VerbWords, Texts: []string{w}})...)
	}
	return out
}
