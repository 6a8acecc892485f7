package words

import (
	"strings"

	"github.com/rivo/uniseg"
)

// lineWidth is how many cells a line of the answer may take.
var lineWidth = 80

// SetWidth says how many cells a line of the answer may take. It is for the
// beginning of the program, before anything is folded.
func SetWidth(cells int) { lineWidth = cells }

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

// Fold breaks text at blanks so that no line is wider than a line of the answer may
// be, 80 cells where nobody said otherwise, unless one word is. The lines after the
// first begin below the end of the prefix.
func Fold(prefix, text string) string { return FoldTo(lineWidth, prefix, text) }

// FoldTo is Fold for lines of so many cells.
func FoldTo(width int, prefix, text string) string {
	room := strings.Repeat(" ", Cells(prefix))
	var b strings.Builder
	b.WriteString(prefix)
	at, empty := len(room), true
	for _, word := range strings.Fields(text) {
		cells := Cells(word)
		if !empty && at+1+cells > width {
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

// HasCommand tells whether a line of a page is to be pasted into a shell, or may be.
func HasCommand(line string) bool {
	for _, begins := range []string{"  dd if=", "  qemu-system-", "  qemu-img "} {
		if strings.HasPrefix(line, begins) {
			return true
		}
	}
	return strings.Contains(line, "bootgraft ")
}

// Narrow breaks a line that is wider than so many cells at blanks, and ends each part with
// a newline. What follows the first part stands two cells further in than it. A line with a
// command stays whole: somebody may want to paste it.
func Narrow(cells int, line string) string {
	if Cells(line) <= cells || HasCommand(line) {
		return line + "\n"
	}
	room := strings.Repeat(" ", min(len(line)-len(strings.TrimLeft(line, " ")), cells/4)+2)
	var b strings.Builder
	for Cells(line) > cells {
		head := Cut(line, cells)
		at := len(head)
		if rest := line[at:]; !strings.HasPrefix(rest, " ") {
			at = strings.LastIndexByte(head, ' ')
		}
		if strings.Trim(line[:max(at, 0)], " ") == "" { // one word that is too long
			at = len(head)
		}
		b.WriteString(strings.TrimRight(line[:at], " ") + "\n")
		line = room + strings.TrimLeft(line[at:], " ")
	}
	return b.String() + line + "\n"
}
