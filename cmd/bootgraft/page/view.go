package page

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

// View shows how a capture goes on: a few lines that are drawn again every
// second on a terminal, one plain line every half minute elsewhere.
type View struct {
	ui         *talk.UI
	sectorSize int
	done       chan struct{}

	mu     sync.Mutex
	drawn  int // lines on the terminal
	last   capture.Progress
	heard  time.Time // when last was told; on a terminal
	said   time.Time // the last plain line
	paused string    // why nothing is read now
}

// NewView begins to show a capture; Finish ends it.
func NewView(u *talk.UI, src image.Source) *View {
	v := &View{ui: u, sectorSize: src.SectorSize(), said: time.Now(), done: make(chan struct{})}
	if u.Bars && !u.Quiet {
		go v.tick()
	}
	return v
}

// tick draws again while the drive lets wait.
func (v *View) tick() {
	t := time.NewTicker(time.Second)
	defer t.Stop()
	for {
		select {
		case <-v.done:
			return
		case <-t.C:
			v.mu.Lock()
			if !v.heard.IsZero() && time.Since(v.heard) > 1500*time.Millisecond {
				v.draw()
			}
			v.mu.Unlock()
		}
	}
}

// Finish leaves the picture as it is.
func (v *View) Finish() {
	close(v.done)
	v.mu.Lock()
	defer v.mu.Unlock()
	v.drawn, v.heard = 0, time.Time{}
}

// Progress implements capture.Observer.
func (v *View) Progress(p capture.Progress) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.last, v.paused = p, ""
	switch {
	case v.ui.Quiet:
	case v.ui.Bars:
		v.heard = time.Now()
		v.draw()
	case time.Since(v.said) >= 30*time.Second:
		v.said = time.Now()
		v.ui.Sayf("%s", v.line())
	}
}

// line sums a capture up in one line.
func (v *View) line() string {
	p := v.last
	var total, safe, lost disk.Sector
	for _, t := range p.Classes {
		total, safe, lost = total+t.Total, safe+t.Safe, lost+t.Lost
	}
	text := fmt.Sprintf(
		"%s: %s, %.0f %% of the work, %s of %s safe, %s lost",
		doing(p), passed(p.Elapsed), 100*p.Share, v.size(safe), v.size(total), disk.Counted(lost, "sector"))
	if p.Left > 0 {
		text += ", " + aboutLeft(p.Left)
	}
	return text
}

// passed writes how long something has gone on.
func passed(d time.Duration) string {
	s := int64(d.Seconds())
	if s < 3600 {
		return fmt.Sprintf("%d:%02d", s/60, s%60)
	}
	return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
}

// aboutLeft writes an estimate no finer than it can be known.
func aboutLeft(d time.Duration) string {
	m := int64((d + 30*time.Second) / time.Minute)
	switch {
	case d < time.Minute:
		return "less than a minute left"
	case m < 10:
		return "about " + disk.Counted(m, "minute") + " left"
	case m < 60:
		return fmt.Sprintf("about %d minutes left", (m+2)/5*5)
	case m < 10*60:
		return fmt.Sprintf("about %d h %d min left", (m+7)/15*15/60, (m+7)/15*15%60)
	case m < 48*60:
		return fmt.Sprintf("about %d hours left", (m+30)/60)
	}
	return fmt.Sprintf("about %d days left", (m+12*60)/(24*60))
}

func (v *View) size(n disk.Sector) string { return disk.BytesText(int64(n) * int64(v.sectorSize)) }

// classTexts name the classes in a sentence.
var classTexts = map[capture.Class]string{
	capture.Boot: "boot areas", capture.Tables: "allocation tables", capture.Directories: "directories",
	capture.Files: "files", capture.Free: "what no file uses",
}

// doing says what is done, and to what it is done.
func doing(p capture.Progress) string {
	if p.Doing == "reading" {
		return "reading " + classTexts[p.Class]
	}
	return p.Doing
}

// Lines is the picture on a terminal: what is safe, lost and still to come,
// by worth.
func (v *View) Lines() []string {
	p := v.last
	row := func(name string, t capture.Tally) string {
		return fmt.Sprintf("%-13s %12s %12s %12s", name, v.size(t.Safe), v.size(t.Lost), v.size(t.Left()))
	}
	out := []string{fmt.Sprintf("%-13s %12s %12s %12s", "", "safe", "lost", "to come")}
	var all capture.Tally
	for _, c := range capture.Classes {
		t := p.Classes[c]
		all.Total, all.Safe, all.Lost, all.Skipped = all.Total+t.Total, all.Safe+t.Safe, all.Lost+t.Lost, all.Skipped+t.Skipped
		// Before all is sorted, sectors that are safe still move to better classes.
		if t.Total > 0 && p.Sorted {
			out = append(out, row(c.String(), t))
		}
	}
	out = append(out, row("all", all))
	now := doing(p)
	if p.At >= 0 {
		now += ", at sector " + disk.Grouped(p.At)
	}
	if v.paused != "" {
		now = v.paused
	}
	if wait := time.Since(v.heard); wait > 2*time.Second {
		now += fmt.Sprintf(", for %s now", wait.Round(time.Second))
	}
	pace := []string{passed(p.Elapsed), fmt.Sprintf("%.0f %% of the work", 100*p.Share)}
	if p.Rate > 0 {
		pace = append(pace, disk.BytesText(int64(p.Rate))+" a second")
	}
	if p.Left > 0 {
		pace = append(pace, aboutLeft(p.Left))
	}
	if p.Clock.Errors > 0 {
		pace = append(pace, disk.Counted(p.Clock.Errors, "failed read"))
	}
	return append(out, now, strings.Join(pace, ", "))
}

// draw replaces what was drawn before, in one piece so that nothing flickers.
func (v *View) draw() {
	lines := v.Lines()
	for len(lines) < v.drawn {
		lines = append(lines, "")
	}
	var b strings.Builder
	if v.drawn > 0 {
		fmt.Fprintf(&b, "\x1b[%dA", v.drawn)
	}
	width := talk.Columns() - 1
	for _, l := range lines {
		fmt.Fprintf(&b, "\r%s\x1b[K\n", words.Cut(words.Visible(l), width))
	}
	v.drawn = len(lines)
	_, _ = io.WriteString(v.ui.Screen, b.String()) // a picture that cannot be drawn is no reason to stop
}

// Event implements capture.Observer.
func (v *View) Event(e capture.Event) {
	v.mu.Lock()
	defer v.mu.Unlock()
	text := ""
	switch e.Kind {
	case capture.EventHang:
		text = fmt.Sprintf(
			"The drive has not answered for %s, at sector %s. If it stays so: pull USB and power, wait a minute, "+
				"plug it in, and type the same command again. Ctrl-C stops in good order.",
			e.Took.Round(time.Second), disk.Grouped(e.Span.Start))
	case capture.EventAnswered:
		text = "The drive answers again."
	case capture.EventGone:
		text = "The drive is gone. What was read is safe. Plug it in again and type the same command."
	case capture.EventChanged:
		text = "This is not the same drive any more. What may be of the other one counts as unread."
	case capture.EventRest:
		v.paused = "resting for " + e.Took.String() + ", so that the drive can cool down"
		v.heard = time.Now()
		if !v.ui.Bars {
			text = strings.ToUpper(v.paused[:1]) + v.paused[1:] + "."
		}
	case capture.EventUnstable:
		text = fmt.Sprintf("Sector %s answered differently when it was read again; it is not called good.", disk.Grouped(e.Span.Start))
	}
	if text != "" {
		v.drawn = 0
		v.ui.Sayf("%s", strings.TrimRight(words.Fold("", text), "\n"))
	}
}
