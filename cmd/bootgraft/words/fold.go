package words

import (
	"strings"

	"github.com/rivo/uniseg"
)

// lineWidth is how many cells of a terminal a line of text may take.
const lineWidth = 80

// Cells returns how many cells of a terminal a text takes: a wide character
// takes two, a combining one none (Unicode Standard Annex #11).
func Cells(s string) int { return uniseg.StringWidth(s) }

// Cut returns the beginning of a line that takes no more than so many cells. No
// character is cut in two.
func Cut(s string, cells int) string {
	kept, state := 0, -1
	for rest := s; rest != ""; {
		var cluster string
		var width int
		cluster, rest, width, state = uniseg.FirstGraphemeClusterInString(rest, state)
		if cells -= width; cells < 0 {
			break
		}
		kept += len(cluster)
	}
	return s[:kept]
}

// Fold breaks text at blanks so that no line is wider than 80 cells, unless one
// word is. The lines after the first begin below the end of the prefix.
func Fold(prefix, text string) string {
	room := strings.Repeat(" ", Cells(prefix))
	var b strings.Builder
	b.WriteString(prefix)
	at, empty := len(room), true
	for _, word := range strings.Fields(text) {
		cells := Cells(word)
		if !empty && at+1+cells > lineWidth {
			b.WriteString("\n" + room)
			at, empty = len(room), true
		}
		if !empty {
			b.WriteByte(' ')
			at++
		}
		b.WriteString(word)
		at += cells
		empty = false
	}
	b.WriteString("\n")
	return b.String()
}
