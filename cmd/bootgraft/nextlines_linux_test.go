package main

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/imagetest/need"
)

// reader types what it has read, and nothing else but what only a person can know: which
// disk was plugged in, and the number of sectors that was read from the card.
type reader struct {
	*typist
	node, sectors string
}

// printedLine is a line to type, alone on its line.
var printedLine = regexp.MustCompile(`(?m)^ +(?:sudo )?bootgraft (.*)$`)

// follows types the first printed line of an answer that begins so, and returns what is said
// then.
func (r *reader) follows(ends int, read, begins string) string {
	r.t.Helper()
	for _, m := range printedLine.FindAllStringSubmatch(read, -1) {
		line := strings.TrimSpace(m[1])
		if !strings.HasPrefix(line, begins) {
			continue
		}
		args := strings.Fields(line)
		for i, a := range args {
			switch a {
			case "next", "/dev/sdX":
				args[i] = r.node
			case "Ns":
				args[i] = r.sectors
			}
		}
		out, said := r.types(ends, args...)
		return out + said
	}
	r.t.Fatalf("no line that begins with %q was printed:\n%s", begins, read)
	return ""
}

// TestPrintedLinesLeadToTheCard: from the capture of a drive to a verified card, and through
// "it does not start", every command is a line that the one before it has printed.
func TestPrintedLinesLeadToTheCard(t *testing.T) {
	t.Parallel()
	need.Root(t)
	r := &reader{typist: newTypist(t)}
	(&typed{t: t, dir: r.dir}).hostileDrive("old.img")
	if err := os.WriteFile(r.path("card.raw"), make([]byte, 20_000*512), 0o600); err != nil {
		t.Fatal(err)
	}
	r.node = r.attach(r.path("card.raw"))

	captured, _ := r.types(talk.ExitDone, "capture", "old.img", "saved.img")
	surveyed := r.follows(talk.ExitDone, captured, "survey")
	offered := r.follows(talk.ExitDone, surveyed, "plan saved.img --size common")
	seen := r.follows(talk.ExitDone, surveyed, "card next")
	size := regexp.MustCompile(`--size ([0-9]+s)`).FindStringSubmatch(seen)
	if size == nil {
		t.Fatalf("the size of the card is not said:\n%s", seen)
	}
	r.sectors = size[1]
	planned := r.follows(talk.ExitDone, offered, "plan saved.img --size Ns")
	r.follows(talk.ExitDone, planned, "files --plan card.plan")
	written := r.follows(talk.ExitDone, planned, "write card.plan card.img")
	verified := r.follows(talk.ExitDone, written, "verify card.plan card.img")
	rehearsed := r.follows(talk.ExitDone, verified, "write card.plan next --device")
	done := r.follows(talk.ExitDone, rehearsed, "write card.plan "+r.node+" --device --confirm")
	proved := r.follows(talk.ExitDone, done, "verify card.plan "+r.node)

	help := r.follows(talk.ExitDone, proved, "help no-start")
	r.follows(talk.ExitDone, help, "capture next card-later.img")
	r.says(r.follows(talk.ExitDone, help, "compare --before card.plan --after card-later.img"), "Not one of the compared sectors differs")
	r.follows(talk.ExitDone, help, "verify card.plan card-later.img")
	r.follows(talk.ExitDone, help, "files --plan card.plan --brief")
	r.follows(talk.ExitDone, help, "starts card.plan")
	r.says(r.follows(talk.ExitDone, help, "card /dev/sdX --write-test quick"), "NOTHING HAS BEEN WRITTEN YET")
}
