package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/imagetest/need"
	"bootgraft/safety/faultdev"
)

// TestPagesOfACard: a rehearsal, a refusal, a write that stops and one that is done have a
// page each, from the values of the work: it says which card it is and what becomes of it,
// every large number of it stands in an object, and for strangers it names neither the disk
// nor the computer. The line that a rehearsal prints does not ask for its pages again.
func TestPagesOfACard(t *testing.T) {
	t.Parallel()
	need.Root(t)
	need.FUSE(t)
	y := newTypist(t)
	drive := &typed{t: t, dir: y.dir}
	drive.hostileDrive("old.img")
	const sectors = 20_000
	card := faultdev.New(sectors, 512)
	card.Put(700, append([]byte("CANARY ON THE CARD"), make([]byte, 512-18)...))
	node := y.attach(faultdev.Serve(t, card), "--direct-io=on")
	known := map[int64]bool{512: true}
	object := func(answer string) {
		t.Helper()
		var v any
		if err := json.Unmarshal([]byte(answer), &v); err != nil {
			t.Fatalf("%v\n%s", err, answer)
		}
		sumsOf(v, known)
	}
	for _, args := range [][]string{{"survey", "old.img"}, {"plan", "old.img", "--size", "20000s", "-o", "canary.plan"}} {
		answer, _ := y.types(talk.ExitDone, append(args, "--json")...)
		object(answer)
	}
	write := []string{"write", "canary.plan", node, "--device", "--receipt", filepath.Join(t.TempDir(), "canary.receipt")}
	page := func(ends int, name string, says []string, args ...string) {
		t.Helper()
		args = append(append([]string{}, args...), "--json", "--report", name+".txt", "--report", name+".md", "--report", name+".html")
		answer, _ := y.types(ends, args...)
		object(answer)
		b, err := os.ReadFile(y.path(name + ".txt"))
		if err != nil {
			t.Fatal(err)
		}
		flat := strings.Join(strings.Fields(string(b)), " ")
		for _, want := range append(says, "The card in the reader", "Where everything goes", "Findings", "20,000") {
			if !strings.Contains(flat, want) {
				t.Errorf("%s does not say %q:\n%.2500s", name, want, b)
			}
		}
		if drive.numbersOf(known, name+".txt", name+".md") < 20 {
			t.Errorf("%s has hardly any number", name)
		}
		if b, err = os.ReadFile(y.path(name + ".md")); err != nil || canary.Match(b) || strings.Contains(string(b), node) {
			t.Errorf("%s.md (%v) names %q:\n%s", name, err, canary.Find(b), b)
		}
	}
	page(talk.ExitRefused, "refused", []string{"State: only if you accept card-holds-unknown", "Why it is not written"}, write...)
	write = append(write, "--accept", "card-holds-unknown")
	page(talk.ExitDone, "rehearsal", []string{"nothing has been written yet", "State: not written yet", "Step 3:", "What undo could bring back"}, write...)

	out, _ := y.types(talk.ExitDone, append(write, "--report", "again.html", "--report=again.txt", "--redact=false")...)
	_, line, _ := strings.Cut(out, "To do it, type:")
	if line = strings.TrimSpace(line); strings.Contains(line, "again.") || strings.Contains(line, "--redact") || !strings.Contains(line, "--confirm ") {
		t.Errorf("the line to type is %s", line)
	}
	word := y.word(write...)
	card.FailWrite(1)
	page(talk.ExitFenced, "stopped", []string{"State: unfinished", "How far it came", "no disk for any system", "How it ended"},
		append(write, "--confirm", word)...)
	page(talk.ExitDone, "done", []string{"is written and read back: 20,000 sectors", "What was written", "bootgraft verify canary.plan"},
		append(write, "--confirm", y.word(write...))...)
}
