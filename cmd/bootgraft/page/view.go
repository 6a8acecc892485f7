package page

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

// View shows how a capture goes on: in the one line about long work, and, for what that has
// no room for, in lines that are said once.
type View struct {
	ui         *talk.UI
	sectorSize int
	now        func() time.Time
	show       func(talk.Step)
	finish     func()
	done       chan struct{}

	mu     sync.Mutex
	last   capture.Progress
	heard  time.Time // when last was told, or what is in paused
	paused time.Duration
	told   map[capture.Class]bool // what became of all its sectors was said
}

// NewView begins to show a capture; Finish ends it.
func NewView(u *talk.UI, src image.Source) *View {
	v := &View{ui: u, sectorSize: src.SectorSize(), now: time.Now, done: make(chan struct{}),
		told: map[capture.Class]bool{}}
	v.show, v.finish = u.Steps()
	go v.tick()
	return v
}

// tick looks whether the drive lets wait.
func (v *View) tick() {
	t := time.NewTicker(time.Second)
	defer t.Stop()
	for {
		select {
		case <-v.done:
			return
		case <-t.C:
			v.wait()
		}
	}
}

// wait shows that nothing was heard for a while: of a capture that goes on something is
// heard about once a second.
func (v *View) wait() {
	v.mu.Lock()
	defer v.mu.Unlock()
	const long = 1500 * time.Millisecond
	if !v.heard.IsZero() && v.now().Sub(v.heard) > long {
		v.show(v.step())
	}
}

// Finish takes the line away: the page says the same.
func (v *View) Finish() {
	close(v.done)
	v.mu.Lock()
	defer v.mu.Unlock()
	v.heard = time.Time{}
	v.finish()
}

// Progress implements capture.Observer.
func (v *View) Progress(p capture.Progress) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.last, v.paused, v.heard = p, 0, v.now()
	for _, c := range capture.Classes {
		// Before all is sorted, sectors that are safe still move to better classes.
		if t := p.Classes[c]; p.Sorted && !v.told[c] && t.Total > 0 && t.Left() == 0 {
			v.told[c] = true
			v.ui.Sayf("%s", v.became(c, t))
		}
	}
	v.show(v.step())
}

// became says what became of all sectors of one worth.
func (v *View) became(c capture.Class, t capture.Tally) string {
	name := classTexts[c]
	safe := disk.BytesText(int64(t.Safe * disk.Sector(v.sectorSize)))
	text := fmt.Sprintf("%s: %s safe", strings.ToUpper(name[:1])+name[1:], safe)
	if t.Lost > 0 {
		text += ", " + disk.Counted(t.Lost, "sector") + " lost"
	}
	if t.Skipped > 0 {
		text += ", " + disk.Counted(t.Skipped, "sector") + " left out"
	}
	return text + "."
}

// step is the line: of the whole run, not of the part that it is about.
func (v *View) step() talk.Step {
	p := v.last
	var all capture.Tally
	for _, t := range p.Classes {
		all.Total, all.Safe, all.Lost = all.Total+t.Total-t.Skipped, all.Safe+t.Safe, all.Lost+t.Lost
	}
	size := disk.Sector(v.sectorSize)
	s := talk.Step{What: v.doing(), Done: int64(all.Safe * size), Total: int64(all.Total * size), Judged: true,
		Share: p.Share, Left: p.Left}
	if all.Lost > 0 {
		s.More = append(s.More, disk.Counted(all.Lost, "sector")+" lost")
	}
	if p.Clock.Errors > 0 {
		s.More = append(s.More, disk.Counted(p.Clock.Errors, "failed read"))
	}
	if p.Rate > 0 {
		s.More = append(s.More, disk.BytesText(int64(p.Rate))+" a second")
	}
	return s
}

// classTexts name the classes in a sentence.
var classTexts = map[capture.Class]string{
	capture.Boot: "boot areas", capture.Tables: "allocation tables", capture.Directories: "directories",
	capture.Files: "files", capture.Free: "what no file uses",
	capture.Samples: "samples", capture.Sound: "likely sound",
}

// doing says what is done, and to what it is done; of a read that does not return, for how
// long it has not.
func (v *View) doing() string {
	silent := v.now().Sub(v.heard)
	switch {
	case v.paused > 0:
		return fmt.Sprintf("resting for %s, %s so far", talk.Passed(v.paused), talk.Passed(silent))
	case silent > 2*time.Second && v.last.At >= 0:
		return fmt.Sprintf("waiting for sector %s, %s", disk.Grouped(v.last.At), talk.Passed(silent))
	case v.last.Doing == "reading":
		return "reading " + classTexts[v.last.Class]
	}
	return v.last.Doing
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
	case capture.EventBridge:
		text = fmt.Sprintf("warning: %s: %s", e.Found.Code, e.Found.Text)
	case capture.EventRest:
		v.paused, v.heard = e.Took, v.now()
		text = fmt.Sprintf("Resting for %s, so that the drive can cool down.", e.Took)
	case capture.EventUnstable:
		text = fmt.Sprintf("Sector %s answered differently when it was read again; it is not called good.",
			disk.Grouped(e.Span.Start))
	}
	if text != "" {
		v.ui.Sayf("%s", strings.TrimRight(words.Fold("", text), "\n"))
	}
}
