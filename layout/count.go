package layout

import "fmt"

// Grouped writes a number for a person, with thousands separators.
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
