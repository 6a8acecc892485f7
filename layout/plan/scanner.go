package plan

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"unicode/utf8"
)

// FileError says at which byte a plan file is not one.
type FileError struct {
	Offset int64 // byte of the file
	Why    string
	Err    error // what is behind it, or nil: a ProofError for a plan that proves wrong
}

func (e *FileError) Error() string { return fmt.Sprintf("plan file, byte %d: %s", e.Offset, e.Why) }

// Unwrap returns what is behind the error.
func (e *FileError) Unwrap() error { return e.Err }

// scanner reads the JSON (RFC 8259) of a plan file from front to back, in
// exactly the order in which it is asked. The first error stays in err; from
// then on every method returns at once, with nothing.
type scanner struct {
	r    io.ReaderAt
	size int64
	base int64 // file offset of buf[0]
	buf  []byte
	pos  int
	room []byte // what buf is a part of
	err  error
}

func newScanner(r io.ReaderAt, size, at int64) *scanner {
	return &scanner{r: r, size: size, base: at, room: make([]byte, 64<<10)}
}

// offset is the file offset of the next byte.
func (s *scanner) offset() int64 { return s.base + int64(s.pos) }

func (s *scanner) failf(at int64, format string, args ...any) {
	if s.err == nil {
		s.err = &FileError{Offset: at, Why: fmt.Sprintf(format, args...)}
	}
}

// fill reads on. It returns false at the end of the file and after an error.
func (s *scanner) fill() bool {
	s.base += int64(len(s.buf))
	s.buf, s.pos = nil, 0
	n := min(int64(len(s.room)), s.size-s.base)
	if s.err != nil || n <= 0 {
		return false
	}
	got, err := s.r.ReadAt(s.room[:n], s.base)
	if int64(got) < n {
		if err == nil || err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		s.err = fmt.Errorf("reading the plan file at byte %d: %w", s.base+int64(got), err)
		return false
	}
	s.buf = s.room[:n]
	return true
}

// peek returns the next byte, or 0 at the end of the file or after an error.
func (s *scanner) peek() byte {
	if s.err != nil || s.pos >= len(s.buf) && !s.fill() {
		return 0
	}
	return s.buf[s.pos]
}

// space passes over white space and returns the byte after it, as peek does.
func (s *scanner) space() byte {
	for {
		switch c := s.peek(); c {
		case ' ', '\t', '\r', '\n':
			s.pos++
		default:
			return c
		}
	}
}

// mark passes over white space and the one byte c, and fails if it is not there.
func (s *scanner) mark(c byte) {
	if got := s.space(); got != c {
		s.failf(s.offset(), "want %q, but %s", c, s.found(got))
		return
	}
	s.pos++
}

func (s *scanner) found(c byte) string {
	if c == 0 && s.offset() >= s.size {
		return "the file ends"
	}
	return fmt.Sprintf("there is %q", c)
}

// word passes over white space and the given letters.
func (s *scanner) word(w string) {
	s.space()
	at := s.offset()
	for i := range len(w) {
		if s.peek() != w[i] {
			s.failf(at, "want %s", w)
			return
		}
		s.pos++
	}
}

// field passes over the name of the field that has to come next, with the
// comma before it if it is not the first of its object.
func (s *scanner) field(name string, first bool) {
	if !first {
		s.mark(',')
	}
	s.mark('"')
	at := s.offset() - 1
	for i := 0; i <= len(name); i++ {
		want := byte('"')
		if i < len(name) {
			want = name[i]
		}
		if s.peek() != want {
			s.failf(at, "want the field %q: every field is required, once, in its order", name)
			return
		}
		s.pos++
	}
	s.mark(':')
}

// first and next pass over the name of the first or next field of an object.
func (s *scanner) first(name string) { s.mark('{'); s.field(name, true) }
func (s *scanner) next(name string)  { s.field(name, false) }

// either passes over the name of the next field of an object, which is one of two, and
// returns it.
func (s *scanner) either(name, other string) string {
	s.mark(',')
	s.mark('"')
	at := s.offset() - 1
	var got []byte
	for len(got) <= len(name)+len(other) && s.peek() != '"' && s.err == nil && s.peek() != 0 {
		got = append(got, s.peek())
		s.pos++
	}
	if found := string(got); found != name && found != other {
		s.failf(at, "want the field %q or %q: every other field is required, once, in its order", name, other)
		return name
	}
	s.mark('"')
	s.mark(':')
	return string(got)
}

// array calls element for every element of an array, with its number and the
// offset of its first byte. More than limit are refused.
func (s *scanner) array(limit int, element func(i int, at int64)) {
	s.mark('[')
	if s.space() == ']' {
		s.pos++
		return
	}
	for i := 0; s.err == nil; i++ {
		s.space()
		if i == limit {
			s.failf(s.offset(), "there are more than %d elements", limit)
			return
		}
		element(i, s.offset())
		if s.space() == ']' {
			s.pos++
			return
		}
		s.mark(',')
	}
}

// integer reads a whole number from 0 to the largest of an int64.
func (s *scanner) integer() int64 {
	first := s.space()
	at := s.offset()
	var n int64
	digits := 0
	for ; ; digits++ {
		c := s.peek()
		if c < '0' || c > '9' {
			break
		}
		d := int64(c - '0')
		if n > (math.MaxInt64-d)/10 {
			s.failf(at, "the number is too large")
			return 0
		}
		n = n*10 + d
		s.pos++
	}
	if digits == 0 || digits > 1 && first == '0' {
		s.failf(at, "want a whole number in decimal digits")
		return 0
	}
	if c := s.peek(); c == '.' || c == 'e' || c == 'E' {
		s.failf(at, "the number is not written as a whole one")
	}
	return n
}

// boolean reads true or false.
func (s *scanner) boolean() bool {
	if s.space() == 't' {
		s.word("true")
		return s.err == nil
	}
	s.word("false")
	return false
}

// plain appends to dst the text of a string that needs no escapes; one of
// more than limit bytes is refused.
func (s *scanner) plain(dst []byte, limit int) []byte {
	dst, escaped := s.raw(dst, limit)
	if escaped {
		s.failf(s.offset()-1, "the text must be written without a backslash")
	}
	return dst
}

// text reads a string of at most maxText bytes.
func (s *scanner) text() string {
	s.space()
	at := s.offset()
	raw, escaped := s.raw(nil, 6*maxText)
	text := string(raw)
	if escaped {
		if err := json.Unmarshal([]byte(`"`+text+`"`), &text); err != nil {
			s.failf(at, "the text is not JSON: %v", err)
		}
	}
	if !utf8.Valid(raw) || len(text) > maxText {
		s.failf(at, "the text is not UTF-8 or is longer than %d bytes", maxText)
	}
	if s.err != nil {
		return ""
	}
	return text
}

// raw appends to dst what lies between the quotes of a string.
func (s *scanner) raw(dst []byte, limit int) (text []byte, escaped bool) {
	s.mark('"')
	at := s.offset()
	limit += len(dst)
	for skip := false; s.err == nil; {
		c := s.peek()
		switch {
		case c < ' ':
			s.failf(s.offset(), "the text is not closed")
			return dst, escaped
		case len(dst) == limit && (c != '"' || skip):
			s.failf(at, "the text is too long")
			return dst, escaped
		case skip:
			skip = false
		case c == '"':
			s.pos++
			return dst, escaped
		case c == '\\':
			skip, escaped = true, true
		}
		dst = append(dst, c)
		s.pos++
	}
	return dst, escaped
}
