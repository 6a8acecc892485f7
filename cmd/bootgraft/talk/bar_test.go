package talk

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/words"
)

// barAt is a bar on a terminal of so many cells, at a clock that the test moves.
func barAt(cells *int, now *time.Time) (b *bar, drawn *bytes.Buffer) {
	drawn = &bytes.Buffer{}
	b = &bar{ui: &UI{Bars: true, Screen: drawn}, width: func() int { return *cells }, now: func() time.Time { return *now },
		began: *now, stopped: make(chan struct{}), over: func() {}}
	b.mark = [2]moment{{at: *now}, {at: *now}}
	return b, drawn
}

// lastLine is what is drawn last, as it stands on the screen.
func lastLine(drawn *bytes.Buffer) string {
	all := strings.Split(drawn.String(), Erase)
	return strings.TrimRight(strings.TrimSuffix(all[len(all)-1], home), " ")
}

// The line has what, done of total, percent, elapsed and left, in that order of worth:
// what has no room goes, the last first. A line that a terminal folds would stay behind.
func TestBarFitsTheTerminal(t *testing.T) {
	for cells, want := range map[int]string{
		120: "  25% =====>..................  writing: 1.00 GB of 4.00 GB, 1:00, about 3 minutes left",
		80:  "  25% ==>............  writing: 1.00 GB of 4.00 GB, 1:00, about 3 minutes left",
		70:  "  25% >....  writing: 1.00 GB of 4.00 GB, 1:00, about 3 minutes left",
		60:  "  25% ===>.............  writing: 1.00 GB of 4.00 GB, 1:00",
		40:  "  25% ...  writing: 1.00 GB of 4.00 GB",
		30:  "  25% ==>..........  writing",
	} {
		now := time.Date(2007, 1, 1, 0, 0, 0, 0, time.UTC)
		b, drawn := barAt(&cells, &now)
		b.show(Step{What: "writing", Total: 4e9})
		now = now.Add(time.Minute)
		b.show(Step{What: "writing", Done: 1e9, Total: 4e9})
		if got := lastLine(drawn); got != want {
			t.Errorf("%d cells: %q, want %q", cells, got, want)
		}
		for _, line := range strings.Split(drawn.String(), Erase) {
			if n := words.Cells(strings.NewReplacer("\x1b[0K", "", "\r", "").Replace(line)); n >= cells {
				t.Errorf("%d cells: %d are drawn: %q", cells, n, line)
			}
		}
		b.finish()
		if !strings.HasSuffix(drawn.String(), Erase) {
			t.Errorf("%d cells: the line is left behind: %q", cells, drawn.String())
		}
	}
}

// Nothing is predicted in the first 5 seconds, 100 is never said before the end, the pass
// that comes after counts from the beginning, and what takes no time moves nothing.
func TestBarForetellsWhatItKnows(t *testing.T) {
	cells, now := 100, time.Date(2007, 1, 1, 0, 0, 0, 0, time.UTC)
	b, drawn := barAt(&cells, &now)
	at := func(after time.Duration, s Step) string {
		now = now.Add(after)
		b.show(s)
		return lastLine(drawn)
	}
	step := func(what string, done int64, pass int) Step {
		return Step{What: what, Done: done, Total: 100e6, Pass: pass, Passes: 2}
	}
	early := step("making both ends blank", 100e6, 0)
	early.Beside = true
	for _, x := range []struct {
		after time.Duration
		step  Step
		want  string
		not   string
	}{
		{time.Second, early, "   0%", "left"},
		{3 * time.Second, step("writing", 20e6, 0), "  10%", "left"},
		{16 * time.Second, step("writing", 100e6, 0), "  50%", ""},
		{0, step("writing", 100e6, 0), "less than a minute left", ""},
		{10 * time.Second, step("reading back", 50e6, 1), "reading back: 50.00 MB of 100.00 MB, 0:30, less than a minute left", ""},
		{10 * time.Second, step("sector 0", 1, 2), "  99%", "left"},
	} {
		if got := at(x.after, x.step); !strings.Contains(got, x.want) || x.not != "" && strings.Contains(got, x.not) {
			t.Errorf("%+v: %q, want %q and not %q", x.step, got, x.want, x.not)
		}
	}
}

// A plain line says as much, where there is no terminal.
func TestPlainProgress(t *testing.T) {
	cells, now := 80, time.Date(2007, 1, 1, 0, 0, 0, 0, time.UTC)
	b, _ := barAt(&cells, &now)
	var said bytes.Buffer
	b.ui.Err, b.shown = &said, now
	b.say(Step{What: "writing", Total: 4e9})
	now = now.Add(time.Minute)
	b.say(Step{What: "writing", Done: 1e9, Total: 4e9})
	if got := said.String(); got != "writing: 1.00 GB of 4.00 GB, 25 %, 1:00, about 3 minutes left\n" {
		t.Errorf("%q", got)
	}
}

// A terminal that would show the sequences that erase a line gets plain lines.
func TestTerminalsThatDraw(t *testing.T) {
	for _, x := range []struct {
		system, name, session string
		want                  bool
	}{{"linux", "xterm", "", true}, {"linux", "dumb", "", false}, {"windows", "", "", false}, {"windows", "", "7", true}, {"windows", "xterm", "", true}} {
		env := map[string]string{"TERM": x.name, "WT_SESSION": x.session}
		if got := draws(x.system, func(k string) string { return env[k] }); got != x.want {
			t.Errorf("%+v: %v", x, got)
		}
	}
}

// Whatever is said while a line is drawn stands in its place.
func TestWordsTakeThePlaceOfTheLine(t *testing.T) {
	var screen bytes.Buffer
	u := New(nil)
	u.Bars, u.Screen = true, &screen
	u.Err.(*stream).to = &screen
	progress, finish := u.Bar("writing")
	progress(1, 10)
	u.Sayf("warning: hot")
	if got := screen.String(); !strings.HasSuffix(got, Erase+"warning: hot\n") {
		t.Errorf("%q", got)
	}
	finish()
	if got := screen.String(); !strings.HasSuffix(got, "warning: hot\n") {
		t.Errorf("%q", got)
	}
}

// TestBarOfWorkThatJudgesItself: where the work says how far it is and how long the rest
// takes, the line says that, nothing in the first 5 seconds, and what is beside it where
// there is room.
func TestBarOfWorkThatJudgesItself(t *testing.T) {
	now := time.Date(2007, 1, 1, 0, 0, 0, 0, time.UTC)
	step := Step{What: "reading files", Done: 5e8, Total: 1e9, Judged: true, Share: 0.25, Left: 3 * time.Hour, More: []string{"3 sectors lost"}}
	for cells, want := range map[int]string{
		100: "  25% =>.........  reading files: 500.00 MB of 1.00 GB, 1:00, about 3 h 0 min left, 3 sectors lost",
		80:  "  25% >......  reading files: 500.00 MB of 1.00 GB, 1:00, about 3 h 0 min left",
		40:  "  25% ===>.............  reading files",
	} {
		at := now
		b, drawn := barAt(&cells, &at)
		at = at.Add(3 * time.Second)
		b.show(step)
		if got := lastLine(drawn); strings.Contains(got, "left") {
			t.Errorf("%d cells: after 3 seconds %q", cells, got)
		}
		at = at.Add(57 * time.Second)
		b.show(step)
		if got := lastLine(drawn); got != want {
			t.Errorf("%d cells: %q, want %q", cells, got, want)
		}
	}
}
