package fat

import (
	"encoding/binary"
	"strings"
	"unicode/utf16"

	"golang.org/x/text/encoding/charmap"
)

// decodeOEM returns bytes of a short name as text; nil is codepage 437.
func decodeOEM(page *charmap.Charmap, b []byte) string {
	if page == nil {
		page = charmap.CodePage437
	}
	var s strings.Builder
	for _, c := range b {
		s.WriteRune(page.DecodeByte(c))
	}
	return s.String()
}

// shortName returns the 8.3 name of an entry as its system would show it.
func shortName(page *charmap.Charmap, r *Raw) string {
	raw := *r
	if raw[0] == 0x05 { // FG: stands for a real E5
		raw[0] = 0xE5
	}
	return raw.Short(func(b []byte) string { return decodeOEM(page, b) })
}

// Short returns the 8.3 name of the entry, its bytes made text by decode, in lower case
// where the entry says so.
func (r *Raw) Short(decode func([]byte) string) string {
	base, ext := strings.TrimRight(decode(r[:8]), " "), strings.TrimRight(decode(r[8:11]), " ")
	if r.Case()&0x08 != 0 {
		base = strings.ToLower(base)
	}
	if r.Case()&0x10 != 0 {
		ext = strings.ToLower(ext)
	}
	if ext == "" {
		return base
	}
	return base + "." + ext
}

// cleanName returns a name that can stand as one element of a path and in a
// line of text: what could not is replaced by _.
func cleanName(s string) string {
	switch s {
	case "", ".", "..":
		return strings.Repeat("_", max(1, len(s)))
	}
	bad := func(r rune) bool { return r < 0x20 || r == 0x7F || r == '/' || r == '\\' }
	if strings.IndexFunc(s, bad) < 0 {
		return s
	}
	return strings.Map(func(r rune) rune {
		if bad(r) {
			return '_'
		}
		return r
	}, s)
}

// A long name lies before its entry in parts of 13 UTF-16 units, the last
// part first. FG, "Long Directory Entries".
const (
	maxParts = 20 // 255 units, the longest name, in parts of 13
)

// longName gathers the parts of a long name, and tells whether they belong
// together and to the entry that follows.
type longName struct {
	units [maxParts * UnitsAPart]uint16
	parts int // in the whole name; 0: none begun
	left  int // parts still to come
	sum   byte
	first Slot
}

func (l *longName) reset() { l.parts, l.left = 0, 0 }

// open tells whether parts were seen that no entry has claimed yet.
func (l *longName) open() bool { return l.parts > 0 }

// add takes one part. It returns false if the part, or what came before it,
// belongs to nothing.
func (l *longName) add(r *Raw, at Slot) bool {
	n := int(r[0] &^ LastPart)
	if r[0]&LastPart != 0 {
		orphans := l.open()
		if n < 1 || n > maxParts {
			l.reset()
			return false
		}
		l.parts, l.left, l.sum, l.first = n, n, r[13], at
		l.take(r)
		return !orphans
	}
	if !l.open() || n != l.left || r[13] != l.sum {
		l.reset()
		return false
	}
	l.take(r)
	return true
}

func (l *longName) take(r *Raw) {
	l.left--
	u := l.units[l.left*UnitsAPart:]
	for i, at := range UnitsAt {
		u[i] = binary.LittleEndian.Uint16(r[at:])
	}
}

// name returns the name if it is whole and carries the sum of the entry r.
func (l *longName) name(r *Raw) (string, bool) {
	if !l.open() || l.left != 0 || l.sum != Checksum(r[:11]) {
		return "", false
	}
	u := l.units[:l.parts*UnitsAPart]
	for i, c := range u {
		if c == 0 {
			u = u[:i]
			break
		}
	}
	return string(utf16.Decode(u)), len(u) > 0
}
