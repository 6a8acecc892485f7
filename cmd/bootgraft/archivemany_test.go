package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"bootgraft/image/imagetest/need"
	"bootgraft/safety/archive"
)

// TestArchiveOfManyRuns: a card of as many runs as are still typed is made from the image of
// its drive; with one more the finished card lies in the archive. Whichever it is, what
// HOW.txt says, followed by a shell with dd and sha256sum, gives the card that write gives.
func TestArchiveOfManyRuns(t *testing.T) {
	t.Parallel()
	shell := need.Tool(t, "sh")
	for _, runs := range []int{archive.MostCopies, archive.MostCopies + 1} {
		y := newTyped(t)
		b := make([]byte, 4096*512)
		_, _ = rand.NewChaCha8([32]byte{7}).Read(b) // it never fails
		if err := os.WriteFile(y.path("old.img"), b, 0o644); err != nil {
			t.Fatal(err)
		}
		capture := []string{"capture", "old.img", "cap.img"}
		for i := range runs - 1 { // each hole parts a run in two
			capture = append(capture, "--skip", fmt.Sprintf("%d+2", 100+16*i))
		}
		y.run(0, capture...)
		plan := []string{"plan", "cap.img", "--size", "4096s", "-o", "c.plan"}
		_, said := y.run(3, plan...)
		for _, m := range regexp.MustCompile(`(?m)go on all the same: (--accept) (\S+)`).FindAllStringSubmatch(said, -1) {
			plan = append(plan, m[1:]...)
		}
		y.run(0, plan...)
		y.run(6, "write", "c.plan", "card.img")
		answer, _ := y.run(6, "archive", "kept", "--plan", "c.plan", "--json")
		if stored := strings.Contains(answer, `"card_stored": true`); stored != (runs > archive.MostCopies) {
			t.Errorf("%d runs: the finished card lies in the archive: %v", runs, stored)
		}
		how, err := os.ReadFile(y.path("kept/" + archive.HowName))
		if err != nil {
			t.Fatal(err)
		}
		follow := exec.Command(shell, "-e")
		follow.Dir, follow.Stdin = y.path("kept"), strings.NewReader(typedIn(string(how)))
		out, err := follow.Output()
		if want := regexp.MustCompile(`(?m)^   ([0-9a-f]{64}  -)$`).FindStringSubmatch(string(how)); err != nil || want == nil ||
			!strings.HasSuffix(strings.TrimSpace(string(out)), want[1]) {
			t.Fatalf("%d runs: %v\n%s", runs, err, out)
		}
		made, err := os.ReadFile(filepath.Join(y.path("kept"), "card-made-by-hand.img"))
		if err != nil {
			t.Fatal(err)
		}
		if card, err := os.ReadFile(y.path("card.img")); err != nil || string(card) != string(made) {
			t.Errorf("%d runs: the card that was made by hand is another (%v)", runs, err)
		}
	}
}
