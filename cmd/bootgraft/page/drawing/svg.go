package drawing

import (
	"bytes"
	"fmt"
	"html"
	"strings"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
)

const (
	pageWidth  = 1000.0
	left       = 20.0
	barHeight  = 44.0
	ribbonRoom = 110.0
	lineStep   = 19.0 // from one line of a label to the next
	rowHeight  = 68.0 // of labels with three lines
	tickRoom   = 40.0
	cellWidth  = 12.0
	cellHeight = 30.0
)

// style is the look of all drawings. Nothing is told by colour alone: each look has
// a pattern of its own, which is there in grey print too.
const style = `
.bg-ink{fill:#16323a;stroke:none}.bg-soft{fill:#51656b;stroke:none}
text{font-family:"DejaVu Sans",Verdana,sans-serif;font-size:18px;unicode-bidi:isolate}
.bg-big{font-size:20px;font-weight:bold}.bg-small{font-size:16px}
.bg-solid{fill:#4f8a8b}.bg-paper{fill:#fffdf6}.bg-line{stroke:#16323a;stroke-width:1.2;fill:none}
.bg-dash{fill:none;stroke:#16323a;stroke-width:1.2;stroke-dasharray:5 4}
.bg-lead{stroke:#51656b;stroke-width:.8;fill:none}
.bg-ribbon{fill:#4f8a8b;fill-opacity:.22;stroke:#16323a;stroke-width:.8}
.bg-moved{fill:#c58b1b;fill-opacity:.38;stroke:#16323a;stroke-width:1.4;stroke-dasharray:8 3}
.bg-wall{stroke:#a3261b;stroke-width:2.4;stroke-dasharray:2 3;fill:none}.bg-warn{fill:#a3261b}
.bg-hatch{fill:url(#bg-h)}.bg-fog{fill:url(#bg-f)}.bg-hatch-line{stroke:#16323a;stroke-width:2.6}
@media(prefers-color-scheme:dark){
.bg-ink{fill:#f2ead8}.bg-soft{fill:#b6c3c4}.bg-paper{fill:#182629}.bg-line,.bg-dash,.bg-hatch-line{stroke:#f2ead8}
.bg-solid{fill:#6fb0ae}.bg-lead{stroke:#b6c3c4}.bg-ribbon,.bg-moved{stroke:#f2ead8}` +
	`.bg-wall{stroke:#ff9d8a}.bg-warn{fill:#ff9d8a}}
@media print{.bg-ink{fill:#000}.bg-soft{fill:#333}.bg-paper{fill:#fff}.bg-line,.bg-dash,.bg-hatch-line{stroke:#000}
.bg-lead{stroke:#333}.bg-ribbon,.bg-moved{stroke:#000}.bg-wall{stroke:#000}.bg-warn{fill:#000}}
`

// canvas writes an SVG (Scalable Vector Graphics 1.1).
type canvas struct{ bytes.Buffer }

func (c *canvas) f(format string, args ...any) { fmt.Fprintf(&c.Buffer, format, args...) }

// text writes one line of text. What comes from a disk cannot leave it.
func (c *canvas) text(x, y float64, class, s string) {
	c.f(`<text x="%.1f" y="%.1f" class="%s">%s</text>`+"\n", x, y, class, inert(s))
}

// inert returns a text that is text alone, wherever it stands in markup.
func inert(s string) string { return html.EscapeString(words.Printable(s)) }

// SVG draws the picture. The result is one element that needs nothing else, in a
// page or as a file of its own.
func (p *Picture) SVG(title string) []byte {
	body := &canvas{}
	y := p.bars(body)
	y = p.strips(body, y)
	y = legend(body, y, p)
	out := &canvas{}
	out.f(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %.0f %.0f" role="img" `+
		`aria-labelledby="bg-title bg-desc">`+"\n", pageWidth, y)
	out.f(`<title id="bg-title">%s</title>`+"\n"+`<desc id="bg-desc">%s</desc>`+"\n", inert(title), inert(p.Says()))
	out.f("<style>%s</style>\n", style)
	out.f(`<defs><pattern id="bg-h" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">` +
		`<rect class="bg-paper" width="7" height="7"/><line class="bg-hatch-line" x1="0" y1="0" x2="0" y2="7"/></pattern>` +
		`<pattern id="bg-f" width="6" height="6" patternUnits="userSpaceOnUse">` +
		`<rect class="bg-paper" width="6" height="6"/><circle class="bg-ink" cx="3" cy="3" r="1"/></pattern></defs>` + "\n")
	out.f(`<rect class="bg-paper" width="%.0f" height="%.0f"/>`+"\n", pageWidth, y)
	out.Write(body.Bytes())
	out.f("</svg>\n")
	return out.Bytes()
}

// Says is the picture in words, for whoever cannot see it.
func (p *Picture) Says() string {
	var b strings.Builder
	say := func(bar *Bar) {
		fmt.Fprintf(&b, "The %s has %s: ", bar.Name, disk.Counted(bar.Sectors, "sector"))
		for i, q := range bar.Parts {
			if i > 0 {
				b.WriteString("; ")
			}
			fmt.Fprintf(&b, "%s from sector %s, %s", q.Title(), disk.Grouped(q.Start), disk.Counted(q.Count, "sector"))
			if q.Note != "" {
				b.WriteString(", " + q.Note)
			}
		}
		b.WriteString(". ")
	}
	say(&p.Drive)
	if p.Card.Sectors > 0 {
		say(&p.Card)
	}
	return strings.TrimSpace(b.String())
}

// bars draws the drive above, the card below, and the ribbons between.
func (p *Picture) bars(c *canvas) (y float64) {
	driveWidth, cardWidth, _ := barWidths(p.Drive.Sectors, p.Card.Sectors)
	drive := places(p.Drive.Parts, p.Drive.Sectors, left, driveWidth)
	labels, rows := labelsOf(p.Drive.Parts, drive)
	top := 38 + float64(rows)*rowHeight + tickRoom
	p.heading(c, 20, &p.Drive)
	for _, l := range labels {
		up := top - tickRoom - float64(l.row)*rowHeight
		end := up - 54
		if l.from() < l.x { // the text lies upon its line
			end = up + 6
		}
		c.f(`<path class="bg-lead" d="M%.1f %.1fV%.1f"/>`+"\n", l.x, top, end)
		drawLabel(c, l, up-39)
	}
	drawTicks(c, &p.Drive, drive, top)
	if p.Card.Sectors == 0 {
		drawParts(c, &p.Drive, drive, top)
		return top + barHeight + 20
	}
	card := places(p.Card.Parts, p.Card.Sectors, left, cardWidth)
	below := top + barHeight + ribbonRoom
	for _, r := range p.Ribbons {
		p.ribbon(c, r, drive, card, top+barHeight, below)
	}
	drawParts(c, &p.Drive, drive, top)
	drawParts(c, &p.Card, card, below)
	p.walls(c, card, below)
	labels, rows = labelsOf(p.Card.Parts, card)
	for _, l := range labels {
		down := below + barHeight + 18 + float64(l.row)*rowHeight
		end := down + lineStep*2 + 12
		if l.from() < l.x {
			end = down - 4
		}
		c.f(`<path class="bg-lead" d="M%.1f %.1fV%.1f"/>`+"\n", l.x, below+barHeight, end)
		drawLabel(c, l, down+12)
	}
	y = below + barHeight + 36 + float64(rows)*rowHeight
	p.heading(c, y+8, &p.Card)
	return y + 26
}

// heading names a bar.
func (p *Picture) heading(c *canvas, y float64, b *Bar) {
	c.text(left, y, "bg-ink bg-big", fmt.Sprintf("The %s: %s", b.Name, disk.SizeText(b.Sectors, p.SectorSize)))
}

// labelsOf makes the labels of the parts of a bar.
func labelsOf(parts []Part, where []place) ([]label, int) {
	const most = 24 // letters of a line: by hand, three labels find room side by side
	var out []label
	for i, q := range parts {
		l := label{x: where[i].x + 3, lines: []string{
			shortened(q.Title(), most), fmt.Sprintf("%s +%s", disk.Grouped(q.Start), disk.Grouped(q.Count))}}
		if q.Note != "" {
			l.lines = append(l.lines, shortened(q.Note, most+8))
		}
		out = append(out, l)
	}
	return out, inRows(out)
}

func shortened(s string, most int) string {
	s = words.Printable(s)
	if words.Cells(s) <= most {
		return s
	}
	return words.Cut(s, most-1) + "…"
}

func drawLabel(c *canvas, l label, y float64) {
	for i, s := range l.lines {
		class := "bg-ink"
		if i > 0 {
			class = "bg-soft bg-small"
		}
		c.text(l.from(), y+float64(i)*lineStep, class, s)
	}
}

// drawParts draws the bar itself. The numbers of each part stand beside its shape, so
// that a script can add them up.
func drawParts(c *canvas, b *Bar, where []place, y float64) {
	for i, q := range b.Parts {
		w := where[i]
		c.f(`<g data-disk="%s" data-start="%d" data-count="%d">`+"\n", b.Name, q.Start, q.Count)
		c.f(`<title>%s</title>`+"\n", inert(fmt.Sprintf("%s: sectors %d to %d. %s", q.Title(), q.Start, q.End()-1, q.Note)))
		for _, r := range drawn(q, w) {
			c.f(`<rect class="%s" x="%.2f" y="%.1f" width="%.2f" height="%.0f"/>`+"\n", lookClass[r.look], r.x, y, r.width,
				barHeight)
			if r.look == Untouched {
				c.f(`<rect class="bg-dash" x="%.2f" y="%.1f" width="%.2f" height="%.0f"/>`+"\n", r.x+2, y+3, max(r.width-4, 0.5),
					barHeight-6)
			}
		}
		c.f(`<rect class="bg-line" x="%.2f" y="%.1f" width="%.2f" height="%.0f"/>`+"\n", w.x, y, w.width, barHeight)
		if w.broken {
			brokenScale(c, w, y)
		}
		c.f("</g>\n")
	}
}

// brokenScale marks a part that is wider than its share: two waves through its edge.
func brokenScale(c *canvas, w place, y float64) {
	mid := w.x + w.width/2
	for _, dx := range []float64{-2, 2} {
		c.f(`<path class="bg-line" d="M%.1f %.1fq4 4 0 8t0 8"/>`+"\n", mid+dx, y-8)
	}
}

// drawnRun is a run as wide as it is drawn.
type drawnRun struct {
	x, width float64
	look     Look
}

// drawn returns the runs of a part, none narrower than a pixel and a half: of those
// that are, the gravest stands for all that share that room.
func drawn(q Part, w place) (out []drawnRun) {
	const narrow = 1.5
	per := w.width / float64(q.Count)
	for _, r := range q.Runs {
		x := w.x + float64(r.Start-q.Start)*per
		width := float64(r.Count) * per
		if n := len(out); n > 0 && (out[n-1].look == r.Look || out[n-1].width < narrow ||
			width < narrow && out[n-1].look < r.Look) {
			last := &out[n-1]
			last.width = x + width - last.x
			last.look = min(last.look, r.Look)
			continue
		}
		out = append(out, drawnRun{x, width, r.Look})
	}
	return out
}

var lookClass = map[Look]string{
	MadeNew: "bg-hatch", Copied: "bg-solid", Zeros: "bg-paper", Untouched: "bg-paper",
	InUse: "bg-solid", Blank: "bg-paper", NotLooked: "bg-fog",
}

// frame is the line around what has a look.
func frame(look Look) string {
	if look == Untouched {
		return "bg-dash"
	}
	return "bg-line"
}

// drawTicks marks what is missing or unstable on a drive, with its count; ticks that lie so
// near that each has no room for its own share one.
func drawTicks(c *canvas, b *Bar, where []place, y float64) {
	var sum disk.Sector // of the ticks whose count is still to come
	from := 0.0         // and where the first of them is
	for i, t := range b.Ticks {
		x := at(b.Parts, where, t.Start)
		c.f(`<path class="bg-warn" d="M%.1f %.1fl-4 -10h8z"/>`+"\n", x, y-1)
		c.f(`<title>%s</title>`+"\n", inert(tickText(t)))
		if sum == 0 {
			from = x
		}
		sum += t.Missing + t.Unstable
		text := disk.Grouped(sum)
		free := from + float64(len(text))*letter + 4 // where the next count finds room
		if i+1 == len(b.Ticks) || at(b.Parts, where, b.Ticks[i+1].Start) > free {
			c.text(from-3, y-14, "bg-warn bg-small", text)
			sum = 0
		}
	}
}

func tickText(t Tick) string {
	text := fmt.Sprintf("from sector %s: %s missing", disk.Grouped(t.Start), disk.Counted(t.Missing, "sector"))
	if t.Unstable > 0 {
		text += fmt.Sprintf(", %s unstable", disk.Grouped(t.Unstable))
	}
	return text
}

// ribbon leads from the drive to the card. What moves is drawn from end to end, over
// the rest.
func (p *Picture) ribbon(c *canvas, r Ribbon, drive, card []place, y, below float64) {
	class := "bg-ribbon"
	if r.Moved {
		class = "bg-moved"
	}
	a, b := at(p.Drive.Parts, drive, r.From.Start), atEnd(p.Drive.Parts, drive, r.From)
	d, e := at(p.Card.Parts, card, r.To.Start), atEnd(p.Card.Parts, card, r.To)
	mid := (y + below) / 2
	c.f(`<path class="%s" d="M%.1f %.1fC%.1f %.1f %.1f %.1f %.1f %.1fH%.1fC%.1f %.1f %.1f %.1f %.1f %.1fZ">`+
		`<title>%s</title></path>`+"\n",
		class, a, y, a, mid, d, mid, d, below, e, e, mid, b, mid, b, y, inert(r.Name))
}

// walls are lines across the card.
func (p *Picture) walls(c *canvas, card []place, y float64) {
	for i, w := range p.Walls {
		x := at(p.Card.Parts, card, w.First)
		c.f(`<path class="bg-wall" d="M%.1f %.1fV%.1f"/>`+"\n", x, y-22-float64(i)*lineStep, y+barHeight+6)
		text := fmt.Sprintf("%s: sector %s", w.Text, disk.Grouped(w.First))
		c.text(beside(x, float64(words.Cells(text))*letter*small), y-10-float64(i)*lineStep, "bg-warn bg-small", text)
	}
}

// strips draws both ends of the card, one cell a sector.
func (p *Picture) strips(c *canvas, y float64) float64 {
	for _, s := range p.Strips {
		y += 24
		c.text(left, y, "bg-ink bg-big", fmt.Sprintf("%s, one by one from sector %s", sentence(s.Name),
			disk.Grouped(s.First)))
		y += 10
		var labels []label
		for i, cell := range s.Cells {
			x := left + float64(i)*cellWidth
			c.f(`<rect class="%s" x="%.1f" y="%.1f" width="%.0f" height="%.0f"/>`+"\n", lookClass[cell.Look], x, y, cellWidth,
				cellHeight)
			c.f(`<rect class="%s" x="%.1f" y="%.1f" width="%.0f" height="%.0f"/>`+"\n", frame(cell.Look), x, y, cellWidth,
				cellHeight)
			if i == 0 || !follows(s.Cells[i-1], cell) {
				labels = append(labels, label{x: x + 2, lines: []string{fmt.Sprintf("%s %s", disk.Grouped(s.First+disk.Sector(i)),
					cellText(cell))}})
			}
		}
		rows := inRows(labels)
		for _, l := range labels {
			down := y + cellHeight + 18 + float64(l.row)*lineStep
			c.f(`<path class="bg-lead" d="M%.1f %.1fV%.1f"/>`+"\n", l.x, y+cellHeight, down)
			c.text(l.x+3, down, "bg-soft bg-small", l.lines[0])
		}
		y += cellHeight + 28 + float64(rows)*lineStep
	}
	return y
}

// follows tells whether a cell goes on with the one before it.
func follows(before, c Cell) bool {
	return before.Look == c.Look && (c.Look != Copied || c.From == before.From+1)
}

func cellText(c Cell) string {
	if c.Look == Copied {
		return "copied from " + disk.Grouped(c.From)
	}
	return lookWords[c.Look]
}

func sentence(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// legend shows each look beside its name.
func legend(c *canvas, y float64, p *Picture) float64 {
	x := left
	y += 16
	looks := []Look{InUse, Blank, NotLooked}
	if p.Card.Sectors > 0 {
		looks = []Look{Copied, MadeNew, Zeros, Untouched}
	}
	for _, look := range looks {
		c.f(`<rect class="%s" x="%.1f" y="%.1f" width="26" height="16"/>`+"\n", lookClass[look], x, y)
		c.f(`<rect class="%s" x="%.1f" y="%.1f" width="26" height="16"/>`+"\n", frame(look), x, y)
		c.text(x+32, y+14, "bg-ink", lookWords[look])
		x += 32 + float64(len(lookWords[look]))*letter + 30
	}
	x, y = left, y+28
	c.f(`<path class="bg-line" d="M%.1f %.1fq4 4 0 8t0 8m4 -16q4 4 0 8t0 8"/>`+"\n", x, y)
	c.text(x+16, y+14, "bg-ink", "drawn wider than it is")
	x += 16 + 22*letter + 30
	c.f(`<path class="bg-warn" d="M%.1f %.1fl-5 -12h10z"/>`+"\n", x, y+14)
	c.text(x+10, y+14, "bg-ink", "sectors missing or unstable")
	y += 44
	if p.Pieces > 0 {
		c.text(left, y, "bg-soft bg-small", fmt.Sprintf("%s of the plan, drawn as %s of the card; \"63 +100\" is 100 "+
			"sectors from sector 63 on",
			disk.Counted(disk.Sector(p.Pieces), "piece"), disk.Counted(disk.Sector(len(p.Card.Parts)), "part")))
		y += 20
	}
	if _, _, ratio := barWidths(p.Drive.Sectors, p.Card.Sectors); !ratio && p.Card.Sectors > 0 {
		c.text(left, y, "bg-soft bg-small", "the two bars are not drawn to one scale: one is much longer than the other")
		y += 20
	}
	return y
}
