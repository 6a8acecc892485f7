package main

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/demo"
)

var updatePicture = flag.Bool("update-picture", false, "write the picture of the README anew")

// TestDemonstration: the demonstration is short enough to be read, and the picture that the README shows is what the program draws of
// the demonstration's plan.
func TestDemonstration(t *testing.T) {
	const want = "../../testdata/pictures/plan.svg"
	y := newTyped(t)
	if told, _ := y.run(0, "demo", "quill"); strings.Count(told, "\n") > 150 {
		t.Errorf("the demonstration prints %d lines", strings.Count(told, "\n"))
	}
	song, err := os.ReadFile(y.path("quill/songs/001-sector-64.wav"))
	if err != nil || !bytes.Equal(song, demo.Song(1101, 4)) { // the serial number of the workshop's unit
		t.Errorf("the multitrack does not give its song back: %d bytes (%v)", len(song), err)
	}
	// The device starts from the card by the rules, so nothing may say that it will not.
	if told, _ := y.run(0, "starts", "quill/bramble.plan"); strings.Contains(told, "broken") {
		t.Errorf("a card that starts is said not to:\n%s", told)
	}
	y.run(0, "plan", "quill/captured.img", "--size", "614400s", "-o", "card.plan", "--accept", "missing-in-volume", "--report", "plan.svg")
	got, err := os.ReadFile(y.path("plan.svg"))
	if err != nil {
		t.Fatal(err)
	}
	if *updatePicture {
		if err := os.MkdirAll(filepath.Dir(want), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(want, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if have, err := os.ReadFile(want); err != nil || !bytes.Equal(have, got) {
		t.Errorf("%s is not what the program draws (%v); go test ./cmd/bootgraft -run TestDemonstration -update-picture writes it anew: look at it", want, err)
	}
}

// TestDemonstrationInAnyFolder: every line that the demonstration shows can be pasted, whatever its
// folder is called.
func TestDemonstrationInAnyFolder(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	told, _ := y.run(0, "demo", "--", "-my demo")
	for _, want := range []string{"$ bootgraft survey './-my demo/", "$ bootgraft write './-my demo/smaller.plan' './-my demo/"} {
		if !strings.Contains(told, want) {
			t.Errorf("%q is not shown:\n%s", want, told)
		}
	}
}
