package disk

import (
	"fmt"
	"strings"
)

// Grouped writes a number with thousands separators.
func Grouped[T ~int | ~int64 | ~uint32](n T) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Counted writes a number with its noun, which takes an s for other numbers
// than one.
func Counted[T ~int | ~int64 | ~uint32](n T, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return Grouped(n) + " " + noun + "s"
}

// IsAre is the verb for so many things.
func IsAre[T ~int | ~int64 | ~uint32](n T) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// At names the place of a sector: the sector, and the byte where it begins.
func At(x Sector, sectorSize int) string {
	return fmt.Sprintf("sector %s (byte %s)", Grouped(x), Grouped(int64(x)*int64(sectorSize)))
}

// Text names the sectors of a run, the first and the last.
func (s Span) Text() string {
	if s.Count == 1 {
		return "sector " + Grouped(s.Start)
	}
	return fmt.Sprintf("sectors %s to %s", Grouped(s.Start), Grouped(s.Last()))
}

// Text names the first spans of a set.
func (s Spans) Text() string {
	const most = 8 // by hand: whoever wants all has them in a record or in JSON
	var out []string
	for i, one := range s {
		if i == most {
			out = append(out, fmt.Sprintf("and %s more runs", Grouped(len(s)-most)))
			break
		}
		out = append(out, one.Text())
	}
	return strings.Join(out, ", ")
}

// BytesText writes a size in the unit that cards and drives are sold in.
func BytesText(n int64) string {
	switch {
	case n >= 1e9:
		return fmt.Sprintf("%.2f GB", float64(n)/1e9)
	case n >= 1e6:
		return fmt.Sprintf("%.2f MB", float64(n)/1e6)
	case n >= 1e4:
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	}
	return Grouped(n) + " bytes"
}

// SizeText writes the size of a disk: sectors, and bytes as it is sold.
func SizeText(n Sector, sectorSize int) string {
	return fmt.Sprintf("%s of %d bytes, %s", Counted(n, "sector"), sectorSize, BytesText(int64(n)*int64(sectorSize)))
}
