package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"bootgraft/image/imagetest/need"
)

// hostile are names and a label that would do something, if anything let them: markup,
// a script, Markdown, a turned direction, an escape of a terminal. None holds what an
// ext2 name cannot: a slash, a NUL.
var hostile = []string{
	"<script>document.title='HURT'<!script>.wav", "<img src=x onerror=alert(1)>", "](javascript:alert(1)) `x` **b**",
	"right\u202eleft.wav", "red\x1b[31mred.wav", "| a | b |", "# heading", `quote".wav`, "Zither Quartet Canary.wav",
}

// drive makes a disk with a table, a boot area, a volume with such names, and a tail.
func (y *typed) hostileDrive(name string) {
	y.t.Helper()
	mke2fs := need.Tool(y.t, "mke2fs")
	dir := filepath.Join(y.dir, "content", "Canary Folder")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		y.t.Fatal(err)
	}
	for i, n := range hostile {
		if err := os.WriteFile(filepath.Join(dir, n), []byte(strings.Repeat(strconv.Itoa(i), 3000)), 0o644); err != nil {
			y.t.Fatal(err)
		}
	}
	path := y.path(name)
	img := make([]byte, 8<<20)
	entry := img[446:]
	entry[4] = 0x83
	entry[8] = 63
	copy(entry[12:], []byte{0, 0x30, 0, 0}) // 12,288 sectors
	img[510], img[511] = 0x55, 0xAA
	copy(img[512:], "CANARY LOADER 1.0 serial CANARY-0001")
	copy(img[len(img)-1024:], "CANARY TAIL")
	if err := os.WriteFile(path, img, 0o644); err != nil {
		y.t.Fatal(err)
	}
	out, err := exec.Command(mke2fs, "-q", "-F", "-t", "ext2", "-b", "1024", "-L", "<b>CANARY", "-d", filepath.Join(y.dir, "content"),
		"-E", fmt.Sprintf("offset=%d", 63*512), path, "6144").CombinedOutput()
	if err != nil {
		y.t.Fatalf("%v\n%s", err, out)
	}
	if err := os.RemoveAll(filepath.Join(y.dir, "content")); err != nil {
		y.t.Fatal(err)
	}
}

// pages runs every command that writes pages, on such a drive, and returns what they
// are called, without their endings.
func (y *typed) pages(more ...string) (names []string) {
	y.t.Helper()
	page := func(ends int, name string, args ...string) {
		y.t.Helper()
		for _, e := range []string{"html", "md", "txt"} {
			args = append(args, "--report", name+"."+e)
		}
		y.run(ends, append(args, more...)...)
		names = append(names, name)
	}
	y.hostileDrive("old.img")
	page(0, "survey", "survey", "old.img")
	page(0, "capture", "capture", "old.img", "canary capture.img")
	page(0, "plan", "plan", "old.img", "--size", "20000s", "-o", "canary card.plan")
	page(3, "too-small", "plan", "old.img", "--size", "100s")
	page(0, "write", "write", "canary card.plan", "card.img")
	page(0, "verify", "verify", "canary card.plan", "card.img")
	y.change("card.img", 70*512, []byte("CANARY CHANGE"))
	page(5, "different", "verify", "canary card.plan", "card.img")
	page(0, "changed", "compare", "--before", "canary card.plan", "--after", "card.img")
	page(0, "originals", "compare", "old.img", "card.img", "--for", "30000s")
	y.run(0, "kit", "make", "old.img", "-o", "canary.kit")
	page(0, "kit", "kit", "show", "canary.kit")
	return names
}

// canary is whatever names the disk, its content or its owner's computer.
var canary = regexp.MustCompile(`(?i:canary|zither|onerror|javascript|old\.img|/tmp)|HURT|# heading`)

// TestPagesForStrangers: no name of a disk, whatever it is made of, is on a page for
// strangers, nor in one of another form that is asked for so.
func TestPagesForStrangers(t *testing.T) {
	y := newTyped(t)
	for _, name := range y.pages("--redact") {
		for _, e := range []string{".html", ".md", ".txt"} {
			b, err := os.ReadFile(y.path(name + e))
			if err != nil {
				t.Fatal(err)
			}
			for _, line := range strings.Split(string(b), "\n") {
				if m := canary.FindString(line); m != "" {
					t.Errorf("%s%s shows %q: %.200s", name, e, m, line)
				}
			}
			if !strings.Contains(string(b), "stand-ins") {
				t.Errorf("%s%s does not say that names are replaced", name, e)
			}
		}
	}
}

// TestPagesHoldTheAnswer: unless that is asked for, a page shows the names; a Markdown
// page hides them unless it is told not to.
func TestPagesHoldTheAnswer(t *testing.T) {
	y := newTyped(t)
	y.hostileDrive("old.img")
	y.run(0, "survey", "old.img", "--report", "a.html", "--report", "a.md")
	y.run(0, "survey", "old.img", "--report", "b.md", "--redact=false")
	for name, shown := range map[string]bool{"a.html": true, "a.md": false, "b.md": true} {
		b, err := os.ReadFile(y.path(name))
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(b), "CANARY") != shown {
			t.Errorf("%s: names shown: %v", name, !shown)
		}
	}
	// The numbers of the page are those of the object.
	answer, _ := y.run(0, "plan", "old.img", "--size", "20000s", "-o", "x.plan", "--json", "--report", "x.txt")
	var p struct {
		Digest string `json:"digest"`
		Target struct{ Sectors int64 }
	}
	if err := json.Unmarshal([]byte(answer), &p); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(y.path("x.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{p.Digest, p.Digest[:8], "20,000", "16,384", "Will it start?"} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the page of the plan does not hold %s", want)
		}
	}
}

// TestPageNames: a page that cannot be written stops nothing, and one whose name says no
// form, or that exists, is refused before any work.
func TestPageNames(t *testing.T) {
	y := newTyped(t)
	y.hostileDrive("old.img")
	if err := os.WriteFile(y.path("there.html"), []byte("mine"), 0o644); err != nil {
		t.Fatal(err)
	}
	y.run(2, "survey", "old.img", "--report", "x.pdf")
	y.run(2, "survey", "old.img", "--redact")
	y.run(3, "survey", "old.img", "--report", "there.html")
	y.run(3, "plan", "old.img", "--size", "20000s", "-o", "x.plan", "--report", "no/folder.html")
	if _, err := os.Stat(y.path("x.plan")); err == nil {
		t.Error("the plan was made, and its page could not be")
	}
	if b, _ := os.ReadFile(y.path("there.html")); string(b) != "mine" {
		t.Errorf("a file that was there is now %q", b)
	}
}

// sumsOf gathers the numbers of an object: all that stand in it, and for each list of runs
// the sums of their lengths by how and why, and their last sectors.
func sumsOf(v any, into map[int64]bool) {
	switch x := v.(type) {
	case float64:
		into[int64(x)] = true
	case map[string]any:
		for _, e := range x {
			sumsOf(e, into)
		}
		start, has := x["start"].(float64)
		if count, ok := x["count"].(float64); has && ok {
			into[int64(start+count)-1] = true
		}
	case []any:
		by := map[string]int64{}
		for _, e := range x {
			sumsOf(e, into)
			if run, ok := e.(map[string]any); ok {
				if n, ok := run["count"].(float64); ok {
					by[fmt.Sprint("op ", run["op"])] += int64(n)
					by[fmt.Sprint("why ", run["why"])] += int64(n)
				}
			}
		}
		for _, n := range by {
			into[n] = true
		}
	}
}

// TestPageNumbersAreThoseOfTheObject: every large number of a page stands in the object for
// scripts of the same command, or is a sum of runs that stand in it.
func TestPageNumbersAreThoseOfTheObject(t *testing.T) {
	y := newTyped(t)
	y.hostileDrive("old.img")
	known := map[int64]bool{512: true}
	object := func(args ...string) {
		answer, _ := y.run(0, append(args, "--json")...)
		var v any
		if err := json.Unmarshal([]byte(answer), &v); err != nil {
			t.Fatal(err)
		}
		sumsOf(v, known)
	}
	object("survey", "old.img", "--report", "survey.txt", "--report", "survey.md")
	object("plan", "old.img", "--size", "20000s", "-o", "c.plan", "--report", "plan.txt", "--report", "plan.md")
	object("write", "c.plan", "card.img", "--report", "write.txt")
	object("verify", "c.plan", "card.img", "--report", "verify.txt")
	object("starts", "c.plan", "--report", "starts.txt")
	object("capture", "old.img", "captured.img", "--report", "capture.txt")
	object("verify", "captured.img", "--report", "archive.txt")
	names := []string{"survey.txt", "survey.md", "plan.txt", "plan.md", "write.txt", "verify.txt", "starts.txt", "capture.txt", "archive.txt"}
	if looked := y.numbersOf(known, names...); looked < 150 {
		t.Errorf("only %d numbers were looked at", looked)
	}
}

// numbersOf holds every large number of pages against those of objects, and counts them.
func (y *typed) numbersOf(known map[int64]bool, pages ...string) (looked int) {
	y.t.Helper()
	number := regexp.MustCompile(`[0-9]{1,3}(,[0-9]{3})+`)
	for _, name := range pages {
		b, err := os.ReadFile(y.path(name))
		if err != nil {
			y.t.Fatal(err)
		}
		for _, text := range number.FindAllString(string(b), -1) {
			looked++
			if n, err := strconv.ParseInt(strings.ReplaceAll(text, ",", ""), 10, 64); err != nil || !known[n] {
				y.t.Errorf("%s shows %s, which no object holds", name, text)
			}
		}
	}
	return looked
}

// TestPagesOfBadInput: whatever is wrong with the input, there is a page, which says what is
// wrong, and the program ends as it does without one.
func TestPagesOfBadInput(t *testing.T) {
	y := newTyped(t)
	y.hostileDrive("old.img")
	write := func(name string, b []byte) {
		if err := os.WriteFile(y.path(name), b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("one.img", make([]byte, 512))
	write("bare.img", []byte(strings.Repeat("a disk without any volume ......", 16*64)))
	y.run(0, "capture", "old.img", "whole.img")
	y.run(7, "capture", "old.img", "half.img", "--only", "boot", "--stop-after", "1ns")
	y.run(0, "plan", "whole.img", "--size", "20000s", "-o", "c.plan")
	y.run(0, "write", "c.plan", "card.img")
	whole, err := os.ReadFile(y.path("whole.img"))
	if err != nil {
		t.Fatal(err)
	}
	write("without-record.img", whole)
	for _, name := range []string{"whole.img", "whole.img.record"} {
		if err := os.Rename(y.path(name), y.path("moved-"+name)); err != nil {
			t.Fatal(err)
		}
	}
	for i, c := range []struct {
		ends int
		args []string
		want string
	}{
		{0, []string{"survey", "one.img"}, "A drive of 1 sector of 512 bytes"},
		{0, []string{"survey", "bare.img"}, "none that is known here"},
		{0, []string{"survey", "bare.img", "--sector-size", "4096"}, "sectors of 4096 bytes"},
		{0, []string{"survey", "without-record.img"}, "A drive of 16,384 sectors"},
		{0, []string{"survey", "half.img"}, "not known"},
		{1, []string{"verify", "c.plan", "card.img"}, "whole.img"},
		{1, []string{"verify", "no-such.plan", "card.img"}, "no-such.plan"},
		{1, []string{"compare", "bare.img", "no-such.img"}, "no-such.img"},
	} {
		name := fmt.Sprintf("bad-%d", i)
		y.run(c.ends, append(c.args, "--report", name+".txt", "--report", name+".html")...)
		for _, ending := range []string{".txt", ".html"} {
			b, err := os.ReadFile(y.path(name + ending))
			if err != nil {
				t.Errorf("%v: %v", c.args, err)
				continue
			}
			if flat := strings.Join(strings.Fields(string(b)), " "); !strings.Contains(flat, c.want) || strings.Contains(flat, "NaN") || strings.Contains(flat, "%!") {
				t.Errorf("%v: the page does not say %q:\n%.3000s", c.args, c.want, b)
			}
		}
	}
}

// TestPageOnAFullDisk: a disk that is full takes no page, that is told, and the work is done
// all the same.
func TestPageOnAFullDisk(t *testing.T) {
	need.Root(t)
	y := newTyped(t)
	y.hostileDrive("old.img")
	if err := os.Mkdir(y.path("full"), 0o755); err != nil {
		t.Fatal(err)
	}
	need.Mount(t, "none", y.path("full"), "-t", "tmpfs", "-o", "size=4k")
	_, said := y.run(1, "plan", "old.img", "--size", "20000s", "-o", "c.plan", "--report", "full/page.html")
	if !strings.Contains(said, "the page was not written; everything else is done") {
		t.Errorf("it is said: %s", said)
	}
	if left, err := os.ReadDir(y.path("full")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	y.run(0, "write", "c.plan", "card.img")
}

// TestAPageHasANameOfItsOwn: a page is never asked for under the name of what the command itself
// makes; and one that something took meanwhile is a failure (1), no "nothing was written" (3).
func TestAPageHasANameOfItsOwn(t *testing.T) {
	y := newTyped(t)
	y.hostileDrive("old.img")
	for _, args := range [][]string{
		{"plan", "old.img", "--size", "20000s", "-o", "p.txt", "--report", "./p.txt"},
		{"capture", "old.img", "c.txt", "--report", "c.txt"},
		{"capture", "old.img", "c", "--report", "c.notes.txt"},
	} {
		if _, said := y.run(2, args...); !strings.Contains(said, "another file of this command") {
			t.Errorf("%v: %s", args, said)
		}
	}
	for _, name := range []string{"p.txt", "c.txt", "c", "c.notes.txt", "c.record"} {
		if _, err := os.Lstat(y.path(name)); err == nil {
			t.Errorf("%s was made", name)
		}
	}
	// by a name that cannot be told from the line: through a link to the same folder
	if err := os.Symlink(".", y.path("here")); err != nil {
		t.Fatal(err)
	}
	y.run(1, "plan", "old.img", "--size", "20000s", "-o", "p.txt", "--report", "here/p.txt")
	y.run(0, "write", "p.txt", "card.img")
}

// TestAStoppedCaptureGoesOnWithItsPage: the same command goes on, also if it asks for a page and
// the run that was stopped has written one; a stop is told as one, whatever pages are wanted.
func TestAStoppedCaptureGoesOnWithItsPage(t *testing.T) {
	need.Root(t)
	y := newTyped(t)
	y.hostileDrive("old.img")
	c := []string{"capture", "old.img", "k.img", "--report", "k.html", "--report", "k.txt", "--stop-after", "1ns"}
	y.run(7, c...)
	y.run(7, c...)
	y.run(0, c[:len(c)-2]...)
	for name, want := range map[string]string{
		"k.html": "time is spent", "k.2.html": "time is spent", "k.2.txt": "bootgraft capture old.img k.img",
		"k.3.html": "CANARY", "k.3.txt": "CANARY",
	} {
		if b, err := os.ReadFile(y.path(name)); err != nil || !strings.Contains(string(b), want) {
			t.Errorf("%s: %v, %s", name, err, b)
		}
	}
	l := &typist{t: t, bin: selfAs(t, "bootgraft"), dir: y.dir}
	run := l.command("capture", "old.img", "s.img", "--report", "s.txt", "--rest", "1ns/1h")
	var said strings.Builder
	run.Stdout, run.Stderr = &said, &said
	need.Ends(t, run)
	for range 600 {
		if exists(y.path("s.img.record")) {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	if err := run.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	run.Wait()
	if got := run.ProcessState.ExitCode(); got != 7 || !strings.Contains(said.String(), "stopped in good order; the same command goes on") {
		t.Errorf("exit %d: %s", got, &said)
	}
	if !exists(y.path("s.txt")) {
		t.Error("there is no page of the run that was stopped")
	}
}
