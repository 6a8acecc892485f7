package talk

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
)

// Step is how far long work has come.
type Step struct {
	What         string // of this pass
	Done, Total  int64  // bytes of this pass
	Pass, Passes int    // passes that are over, and how many of about one length there are; of one pass both may be 0
	Beside       bool   // it takes no time beside the passes: only what is over counts

	Judged bool          // the work knows better than its bytes say:
	Share  float64       // the part of all of it that is done, from 0 to 1,
	Left   time.Duration // and how long the rest takes; 0 if it does not know
	More   []string      // what is said where there is room
}

// share is the part of all passes that is done, from 0 to 1.
func (s Step) share() float64 {
	if s.Judged {
		return s.Share
	}
	part := 0.0
	if s.Total > 0 && !s.Beside {
		part = min(1, float64(s.Done)/float64(s.Total))
	}
	if s.Pass >= max(1, s.Passes) {
		return 1
	}
	return (float64(s.Pass) + part) / float64(max(1, s.Passes))
}

const (
	drawEvery  = 100 * time.Millisecond // more often nobody can read
	sayEvery   = 30 * time.Second       // a plain line, where there is no terminal
	firstGuess = 5 * time.Second        // before it nobody knows how fast it goes
	// the time over which speed is taken, once to twice: by hand, a card's cache is full by then
	rateOver = 15 * time.Second
)

// bar is the one line about long work: what, done of total, percent, elapsed, left. The
// cursor rests at its beginning: wherever a terminal puts the rest of it after its
// width has changed, that is behind the cursor, and erased from there before
// anything else is shown.
type bar struct {
	mu      sync.Mutex
	ui      *UI
	width   func() int
	now     func() time.Time
	began   time.Time
	shown   time.Time // when a line was drawn or said
	last    Step
	mark    [2]moment // of the speed
	drawn   bool
	line    *progressbar.ProgressBar
	pending string        // what the library has drawn last
	stopped chan struct{} // closed when the work is over
	over    func()        // nothing is drawn any more
}

// moment is how much was done when.
type moment struct {
	at    time.Time
	share float64
}

// Bar begins to show how far long work has come: progress takes bytes.
type Bar = func(what string) (progress func(done, total int64), finish func())

// Sectors is UI.Bar for work that counts sectors of so many bytes.
func (u *UI) Sectors(what string, size int) (progress func(done, total disk.Sector), finish func()) {
	show, finish := u.Bar(what)
	return func(done, total disk.Sector) { show(int64(done)*int64(size), int64(total)*int64(size)) }, finish
}

// Bar shows how far long work has come: one line on a terminal, a plain line
// every 30 seconds elsewhere. done and total are in bytes.
func (u *UI) Bar(what string) (progress func(done, total int64), finish func()) {
	show, finish := u.Steps()
	return func(done, total int64) { show(Step{What: what, Done: done, Total: total}) }, finish
}

// Steps is Bar for work of several passes over about as many bytes: what is left
// counts them all.
func (u *UI) Steps() (show func(Step), finish func()) {
	if u.Quiet {
		return func(Step) {}, func() {}
	}
	b := &bar{ui: u, width: columns, now: time.Now, stopped: make(chan struct{})}
	b.began = b.now()
	b.shown = b.began
	b.mark = [2]moment{{at: b.began}, {at: b.began}}
	if !u.Bars {
		return b.say, func() {}
	}
	b.over = u.occupies(func() {
		if b.mu.TryLock() {
			defer b.mu.Unlock()
			b.away()
		}
	})
	go b.tick()
	return b.show, b.finish
}

// tick draws again while the work lets wait: time goes on, and a terminal may have
// another width.
func (b *bar) tick() {
	t := time.NewTicker(time.Second)
	defer t.Stop()
	for {
		select {
		case <-b.stopped:
			return
		case <-t.C:
			b.mu.Lock()
			if b.drawn && b.now().Sub(b.shown) >= time.Second {
				b.draw()
			}
			b.mu.Unlock()
		}
	}
}

// say writes a plain line now and then.
func (b *bar) say(s Step) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.note(s)
	if b.now().Sub(b.shown) >= sayEvery {
		b.shown = b.now()
		b.ui.Sayf("%s", strings.Join(b.parts(true), ", "))
	}
}

// show draws the line.
func (b *bar) show(s Step) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.note(s)
	if !b.drawn || b.now().Sub(b.shown) >= drawEvery {
		b.draw()
	}
}

// note keeps how far it is. Speed is that of the last seconds: the first ones go into
// some cache, and what is passed over takes no time.
func (b *bar) note(s Step) {
	b.last = s
	if now := b.now(); now.Sub(b.mark[1].at) >= rateOver {
		b.mark[0], b.mark[1] = b.mark[1], moment{now, s.share()}
	}
}

// left says how long it will take, or nothing if that is not known.
func (b *bar) left() string {
	now, share := b.now(), b.last.share()
	if b.last.Judged {
		if now.Sub(b.began) < firstGuess || b.last.Left <= 0 {
			return ""
		}
		return aboutLeft(b.last.Left)
	}
	from := b.mark[0]
	if now.Sub(b.began) < firstGuess || share <= from.share || share >= 1 {
		return ""
	}
	return aboutLeft(time.Duration(float64(now.Sub(from.at)) * (1 - share) / (share - from.share)))
}

// percent is how much of the work is done; 100 is said by the answer alone.
func (b *bar) percent() int { return min(99, int(100*b.last.share())) }

// parts are the words of the line, the ones that may be left out last.
func (b *bar) parts(percent bool) (out []string) {
	s := b.last
	out = append(out, fmt.Sprintf("%s: %s of %s", s.What, disk.BytesText(s.Done), disk.BytesText(s.Total)))
	if percent {
		out = append(out, fmt.Sprintf("%d %%", b.percent()))
	}
	out = append(out, Passed(b.now().Sub(b.began)))
	if left := b.left(); left != "" {
		out = append(out, left)
	}
	return append(out, s.More...)
}

// look is the bar itself.
var look = progressbar.Theme{Saucer: "=", SaucerHead: ">", SaucerPadding: ".", BarStart: "", BarEnd: ""}

// The library puts so many cells around the bar and its words: the percentage, and
// blanks. widest is the most that the bar itself takes.
const (
	around = 9
	widest = 24
)

// draw puts the line in the place of the one before, no wider than the terminal: what
// has no room is left out, first the bar, then the words, the last ones first.
func (b *bar) draw() {
	if b.line == nil {
		b.line = progressbar.NewOptions64(100, progressbar.OptionSetWriter(b), progressbar.OptionSetTheme(look),
			progressbar.OptionSetElapsedTime(false), progressbar.OptionSetPredictTime(false),
			progressbar.OptionShowDescriptionAtLineEnd(),
			progressbar.OptionUseANSICodes(true), progressbar.OptionClearOnFinish())
	}
	room := b.width() - 1 - around // the last cell stays free: some terminals go on in the next line behind it
	parts := b.parts(false)
	for len(parts) > 1 && words.Cells(strings.Join(parts, ", ")) > room {
		parts = parts[:len(parts)-1]
	}
	text := strings.Join(parts, ", ")
	if words.Cells(text) > room {
		text = words.Cut(b.last.What, max(0, room))
	}
	progressbar.OptionSetWidth(max(0, min(widest, room-words.Cells(text))))(b.line)
	_ = b.line.Set(b.percent())
	b.line.Describe(text) // which draws also where the percentage is as before
	b.shown, b.drawn = b.now(), true
	_, _ = io.WriteString(b.ui.Screen, Erase+b.pending) // a line that cannot be drawn is no reason to stop
}

// Sequences of ECMA-48 (5th edition, 8.3.39 ED, 8.3.41 EL, 8.3.20 CUF). Erase takes away
// all from the beginning of the line on. It does so from the second cell: a terminal that is
// asked for the whole screen may keep what stood there, above it.
const (
	Erase = "\r\x1b[2K\x1b[C\x1b[J\r"
	toEnd = "\x1b[0K"    // what the library ends a line with
	home  = toEnd + "\r" // what stands there instead: the cursor goes back to the beginning
)

// Write takes what the library draws.
func (b *bar) Write(p []byte) (int, error) {
	b.pending = strings.ReplaceAll(strings.TrimPrefix(string(p), "\r"), toEnd, home)
	return len(p), nil
}

// finish takes the line away.
func (b *bar) finish() {
	b.mu.Lock()
	defer b.mu.Unlock()
	select {
	case <-b.stopped:
		return
	default:
		close(b.stopped)
	}
	b.away()
	b.over()
}

// away erases the line, so that something else can stand there.
func (b *bar) away() {
	if b.drawn {
		b.drawn = false
		_, _ = io.WriteString(b.ui.Screen, Erase)
	}
}

// above is what stands where the next word would go: it makes room for it.
type above struct {
	mu   sync.Mutex
	away func()
}

// occupies says that something is drawn from the cursor on, which away erases, before
// anything is said. away is called from any goroutine, and must wait for nobody: whoever
// ends the program at once must not hang in a terminal that does not answer.
func (u *UI) occupies(away func()) (over func()) {
	if u.above == nil { // a conversation that is not that of the process
		return func() {}
	}
	is := func(away func()) {
		u.above.mu.Lock()
		defer u.above.mu.Unlock()
		u.above.away = away
	}
	is(away)
	return func() { is(nil) }
}

// room takes away what is drawn, if anything is.
func (a *above) room() {
	if a == nil {
		return
	}
	a.mu.Lock()
	away := a.away
	a.mu.Unlock()
	if away != nil {
		away()
	}
}
