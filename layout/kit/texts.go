package kit

import (
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Text is a run of letters found in the sectors of a drive.
type Text struct {
	Sector disk.Sector
	Offset int
	Text   string
}

// A text is shown if it is at least longText characters long, or at least minText
// and written as words are: no capital and no digit inside one. In random bytes
// that is to be expected about once in 1 MB.
const (
	minText  = 8
	longText = 12
	minRow   = 4  // letters in a row
	maxText  = 80 // characters that are kept of one
)

// Texts returns the strings in the stored sectors of a source: ASCII, and UTF-16
// with the low byte first, as file systems write names. It keeps the first most
// of them and returns how many there are.
func Texts(src image.Source, spans []Span, most int) (found []Text, total int, err error) {
	t := &texts{most: most, size: src.SectorSize()}
	for _, s := range spans {
		if s.State != Stored {
			continue
		}
		for x := s.Start; x < s.End(); {
			part := disk.Between(x, min(s.End(), x+disk.Sector(step/t.size)))
			b, err := image.ReadSectors(src, part)
			if err != nil {
				return nil, 0, err
			}
			t.look(part.Start, b)
			x = part.End()
		}
	}
	return t.found, t.total, nil
}

type texts struct {
	most, total int
	size        int
	found       []Text
}

// look finds the strings in whole sectors from sector x on. A string that is cut
// by the end of b counts as two.
func (t *texts) look(x disk.Sector, b []byte) {
	for at := 0; at < len(b); {
		n, width := run(b[at:])
		if n*width == 0 {
			at++
			continue
		}
		if n >= minText && wordy(b[at:at+n*width], width) {
			t.add(x, at, b[at:at+n*width], width)
		}
		at += n * width
	}
}

// run returns how many characters of text b begins with, and how many bytes
// each of them has.
func run(b []byte) (n, width int) {
	for n < len(b) && textual(b[n]) {
		n++
	}
	wide := 0
	for n == 1 && 2*wide+1 < len(b) && textual(b[2*wide]) && b[2*wide+1] == 0 {
		wide++
	}
	if wide > 1 {
		return wide, 2
	}
	return n, 1
}

// class is what a character is in a text.
type class uint8

// The classes of characters; a byte that names and texts are not written with has none.
const (
	capital class = 1 << iota
	small
	digit
	mark
	letter = capital | small
)

// classes are those of all bytes: each byte of a boot area is asked about.
var classes = func() (of [256]class) {
	for c := range of {
		switch c := byte(c); {
		case c >= 'A' && c <= 'Z':
			of[c] = capital
		case c >= 'a' && c <= 'z':
			of[c] = small
		case c >= '0' && c <= '9':
			of[c] = digit
		case strings.IndexByte(" .,-_/:'@()&!", c) >= 0:
			of[c] = mark
		}
	}
	return of
}()

// textual tells whether c is something that names and texts are written with.
func textual(c byte) bool { return classes[c] != 0 }

// wordy tells whether at least half of the characters are letters, some of them
// in a row, and whether they are written as words are.
func wordy(b []byte, width int) bool {
	letters, row, best, n, orderly := 0, 0, 0, 0, true
	last := mark
	for i := 0; i < len(b); i += width {
		c := classes[b[i]]
		if row++; c&letter != 0 {
			letters++
			best = max(best, row)
		} else {
			row = 0
		}
		if last == small && c&(capital|digit) != 0 {
			orderly = false
		}
		last = c
		n++
	}
	return letters*2 >= n && best >= minRow && (orderly || n >= longText)
}

func (t *texts) add(x disk.Sector, at int, b []byte, width int) {
	t.total++
	if len(t.found) >= t.most {
		return
	}
	var text []byte
	for i := 0; i < len(b) && len(text) < maxText; i += width {
		text = append(text, b[i])
	}
	t.found = append(t.found, Text{x + disk.Sector(at/t.size), at % t.size, string(text)})
}
