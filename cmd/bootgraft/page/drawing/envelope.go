package drawing

import (
	"fmt"
	"math"
	"strings"
)

// Envelope is how loud a recording is from its start to its end.
type Envelope struct {
	Number  int       // of the recording, for whoever cannot see it
	Levels  []float64 // of equal parts of it, 0 to 1 of full scale
	Seconds float64
}

// Size of an envelope, and of its steps, as it is drawn: by hand, no source.
const (
	envelopeWidth  = 960.0
	envelopeHeight = 84.0
	quietest       = -48.0 // dB that are still drawn: what is softer is a line
)

// height returns how high a level is drawn, 0 to 1: by decibels, so that a soft song has
// a shape too.
func height(level float64) float64 {
	if level <= 0 {
		return 0
	}
	return max(0, 1-20*math.Log10(min(1, level))/quietest)
}

// SVG draws the envelope as one shape over a line, one mark every tenth of the time. The
// result is one element that needs nothing else but a title.
func (e *Envelope) SVG() []byte {
	c := &canvas{}
	c.f(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %.0f %.0f" role="img" aria-label="%s">`+"\n",
		envelopeWidth+2*left, envelopeHeight+34, inert(e.Says()))
	c.f("<style>%s</style>\n", style)
	c.f(`<rect class="bg-paper" width="%.0f" height="%.0f"/>`+"\n", envelopeWidth+2*left, envelopeHeight+34)
	floor := envelopeHeight + 6
	step := envelopeWidth / float64(len(e.Levels))
	c.f(`<path class="bg-solid" d="M%.1f %.1f`, left, floor)
	for i, l := range e.Levels {
		c.f("V%.1fH%.1f", floor-1-height(l)*(envelopeHeight-2), left+float64(i+1)*step)
	}
	c.f("V%.1fZ\"/>\n", floor)
	c.f(`<path class="bg-line" d="M%.1f %.1fH%.1f"/>`+"\n", left, floor, left+envelopeWidth)
	for i := range 11 {
		x := left + envelopeWidth*float64(i)/10
		c.f(`<path class="bg-line" d="M%.1f %.1fv6"/>`+"\n", x, floor)
		if i%5 == 0 && i < 10 {
			c.text(x, floor+22, "bg-soft bg-small", minutes(e.Seconds*float64(i)/10))
		}
	}
	c.text(left+envelopeWidth-58, floor+22, "bg-soft bg-small", minutes(e.Seconds))
	c.f("</svg>\n")
	return c.Bytes()
}

func minutes(s float64) string { return fmt.Sprintf("%d:%04.1f", int(s)/60, math.Mod(s, 60)) }

// steps are how loud a part is, in text.
var steps = []rune(" ▁▂▃▄▅▆▇█")

// Line is the envelope as one line of so many letters.
func (e *Envelope) Line(letters int) string {
	var b strings.Builder
	letters = min(letters, len(e.Levels))
	for i := range letters {
		most := 0.0
		for _, l := range e.Levels[len(e.Levels)*i/letters : len(e.Levels)*(i+1)/letters] {
			most = max(most, l)
		}
		b.WriteRune(steps[int(math.Round(height(most)*float64(len(steps)-1)))])
	}
	return b.String()
}

// Says is the envelope in words.
func (e *Envelope) Says() string {
	most, at := 0.0, 0
	for i, l := range e.Levels {
		if l > most {
			most, at = l, i
		}
	}
	return fmt.Sprintf("How loud run %d is, over %s: loudest at %s", e.Number, minutes(e.Seconds),
		minutes(e.Seconds*float64(at)/float64(max(1, len(e.Levels)))))
}
