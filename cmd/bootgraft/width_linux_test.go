package main

import (
	"fmt"
	"os/exec"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/imagetest/need"
)

// A page and an error are as wide as the terminal, which script(1) of util-linux
// makes here, from 40 cells to 120; what is no terminal has lines of 80.
func TestPagesAreAsWideAsTheTerminal(t *testing.T) {
	t.Parallel()
	script, stty := need.Tool(t, "script"), need.Tool(t, "stty")
	y := newTypist(t)
	longest := func(text string) (n int) {
		for _, l := range strings.Split(strings.ReplaceAll(text, "\r", ""), "\n") {
			if !strings.Contains(l, "bootgraft ") {
				n = max(n, words.Cells(l))
			}
		}
		return n
	}
	plain, _ := y.types(talk.ExitDone, "help", "data-repeats")
	if n := longest(plain); n <= 60 || n > 80 {
		t.Errorf("without a terminal lines have up to %d cells", n)
	}
	for columns, most := range map[int]int{30: 40, 60: 60, 100: 100, 300: 120} {
		for _, args := range []string{"help data-repeats", "survey . 2>&1"} {
			line := fmt.Sprintf("%s cols %d; %s %s", stty, columns, y.bin, args)
			c := exec.Command(script, "-qec", line, "/dev/null")
			c.Dir = y.dir
			out, _ := c.CombinedOutput()
			if n := longest(string(out)); n > most || n < most*3/5 {
				t.Errorf("%s on %d columns: lines have up to %d cells:\n%s", args, columns, n, out)
			}
		}
	}
}

// TestFirstScreens: on a terminal of 24 lines of 80 cells a page that is longer shows its
// first screen, which has room there, names the rest, and ends with what to type; the rest
// is a word away. On 40 and 60 columns its lines fit as well.
func TestFirstScreens(t *testing.T) {
	t.Parallel()
	script, stty := need.Tool(t, "script"), need.Tool(t, "stty")
	y := newTypist(t)
	small := &typed{t: t, dir: y.dir}
	small.hostileDrive("old.img")
	y.types(talk.ExitDone, "plan", "old.img", "--size", "20000s", "-o", "c.plan")
	y.types(talk.ExitDone, "write", "c.plan", "card.img")
	y.types(talk.ExitDone, "kit", "make", "old.img", "-o", "a.kit")
	for i := range int64(40) {
		small.change("card.img", 512*(70+100*i), []byte("changed"))
	}
	screen := func(columns int, args string) []string {
		line := fmt.Sprintf("%s cols %d rows 24; %s %s 2>/dev/null", stty, columns, y.bin, args)
		c := exec.Command(script, "-qec", line, "/dev/null")
		c.Dir = y.dir
		out, _ := c.CombinedOutput()
		return strings.Split(strings.TrimRight(strings.ReplaceAll(string(out), "\r", ""), "\n"), "\n")
	}
	for args, verdict := range map[string]string{
		"survey old.img":             "Every sector has an owner",
		"plan old.img --size 20000s": "Everything in use has its place on this card",
		"kit show a.kit":             "a.kit",
		"verify c.plan card.img":     "differs from its plan in 40 sectors",
		"compare old.img card.img --head 512KiB --tail 512KiB": "2 originals of one model",
		"compare --before c.plan --after card.img":             "40 sectors",
	} {
		all := screen(80, args+" --all")
		widths := []int{80}
		if strings.HasPrefix(args, "verify") || strings.HasPrefix(args, "survey") {
			widths = []int{40, 60, 80}
		}
		for _, columns := range widths {
			first := screen(columns, args)
			text := strings.Join(first, "\n")
			if n := talk.Lines(text+"\n", columns); columns == 80 && n > 24 {
				t.Errorf("%s: %d lines, and %d with --all:\n%s", args, n, len(all), text)
			}
			flat := strings.Join(strings.Fields(text), " ")
			if !strings.Contains(flat, verdict) || len(all) > 24 && (!strings.Contains(flat, "All of it: --all") || len(first) >= len(all) && columns == 80) {
				t.Errorf("%s on %d columns does not say %q:\n%s", args, columns, verdict, text)
			}
			for _, l := range first {
				if words.Cells(l) > columns && !strings.Contains(l, "bootgraft ") {
					t.Errorf("%s on %d columns: too wide: %q", args, columns, l)
				}
			}
		}
	}
}
