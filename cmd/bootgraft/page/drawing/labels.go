package drawing

import "bootgraft/cmd/bootgraft/words"

const (
	letter   = 10.4 // pixels of an average letter of 18: measured with a wide plain sans-serif
	labelGap = 16.0
)

// label is the text of a part, at the end of a line that leads up or down from it.
type label struct {
	x     float64
	lines []string
	row   int // from the bar, 0 is the nearest
}

// width returns how wide a label is.
func (l *label) width() float64 {
	most := 0
	for _, s := range l.lines {
		most = max(most, words.Cells(s))
	}
	return float64(most)*letter + labelGap
}

// small is how wide a letter of the lines below the first is, beside one of the first.
const small = 0.85

// beside is where a text of so many pixels begins: beside its line, or so far to the left of
// it that it ends within the page.
func beside(line, width float64) float64 { return max(0, min(line+4, pageWidth-4-width)) }

// from is where the text begins.
func (l *label) from() float64 {
	width := 0.0
	for i, s := range l.lines {
		w := float64(words.Cells(s)) * letter
		if i > 0 {
			w *= small
		}
		width = max(width, w)
	}
	return beside(l.x, width)
}

// inRows gives every label a row, so that no text lies upon another and no line
// crosses a text: one that would reach over the lines of labels further right goes
// into a row behind all of theirs.
func inRows(labels []label) (rows int) {
	for i := len(labels) - 1; i >= 0; i-- {
		l := &labels[i]
		for _, next := range labels[i+1:] {
			if next.x < l.x+l.width() {
				l.row = max(l.row, next.row+1)
			}
		}
		rows = max(rows, l.row+1)
	}
	return rows
}
