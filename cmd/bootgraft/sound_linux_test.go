package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/demo"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// TestFilesSound: recordings outside every volume are listed, written out byte for byte,
// and nothing is written over; some sectors are heard again as their owner wants.
func TestFilesSound(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	d := imagetest.New(200_000, 512)
	first, second := demo.Song(3, 4), demo.Song(4, 6)
	d.Put(100, first)
	turned := bytes.Clone(second)
	for i := 0; i+1 < len(turned); i += 2 {
		turned[i], turned[i+1] = turned[i+1], turned[i]
	}
	d.Put(9000, turned)
	y.save(d, "multi.img")

	told, _ := y.run(0, "files", "multi.img", "--sound", "--to", "heard", "--report", "page.html", "--report", "page.md", "--report", "page.txt")
	for _, want := range []string{"2 runs of sound, 10.0 s", "wave 16le 1 ch 22050", "wave 16be 1 ch 22050"} {
		if !strings.Contains(told, want) {
			t.Errorf("%q is not said:\n%s", want, told)
		}
	}
	for line := range strings.Lines(told) {
		if len(strings.TrimRight(line, "\n")) > 80 {
			t.Errorf("a line is too long: %s", line)
		}
	}
	for name, want := range map[string][]byte{"heard/001-sector-100.wav": first, "heard/002-sector-9000.wav": second} {
		got, err := os.ReadFile(y.path(name))
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%s: %d bytes, wanted the %d of the song (%v)", name, len(got), len(want), err)
		}
	}
	list, err := os.ReadFile(y.path("heard/LIST.txt"))
	if err != nil || !strings.Contains(string(list), "002-sector-9000.wav\n  run 2, from sector 9,000 on") {
		t.Errorf("the list (%v):\n%s", err, list)
	}
	html, _ := os.ReadFile(y.path("page.html"))
	if bytes.Count(html, []byte("How loud run")) != 2 {
		t.Errorf("the page shows no envelopes:\n%s", html)
	}
	forum, _ := os.ReadFile(y.path("page.md"))
	if !bytes.Contains(forum, []byte("▇")) || bytes.Contains(forum, []byte("multi.img")) {
		t.Errorf("the page for a forum:\n%s", forum)
	}

	if _, said := y.run(3, "files", "multi.img", "--sound", "--to", "heard"); !strings.Contains(said, "not empty") {
		t.Errorf("a folder with files: %s", said)
	}
	y.run(0, "files", "multi.img", "--sound", "--as", "11025/16be/2:9000+300", "--to", "again")
	if out, err := exec.Command(need.Tool(t, "soxi"), y.path("again/002-sector-9000.wav")).CombinedOutput(); err != nil ||
		!strings.Contains(string(out), "Sample Rate    : 11025") || !strings.Contains(string(out), "Channels       : 2") {
		t.Errorf("soxi says of what was asked for (%v):\n%s", err, out)
	}
	object, _ := y.run(0, "files", "multi.img", "--sound=free", "--json")
	var s document.Sound
	if err := json.Unmarshal([]byte(object), &s); err != nil || s.Kind != document.KindSound || len(s.Runs) != 2 || s.Runs[1].Order != "big" {
		t.Errorf("the object (%v): %s", err, object)
	}
	for _, args := range [][]string{
		{"--as", "44100/16be/2:0+5"}, {"--sound", "--as", "44100/16/2:0+5"}, {"--sound", "--as", "44100/16be/0:0+5"},
		{"--sound", "--as", "1/8/1:0+500", "--as", "1/8/1:400+500"}, {"--sound", "--as", "44100/16be/2:199999+2"}, {"--sound=all"},
		{"--sound", "--brief"}, {"--report", "x.html"}, {"--sound", "--as", "9/32le/64/1:0+5", "--second-reader"}, {"--sound", "--as", "1/24be/1"},
	} {
		y.run(2, append([]string{"files", "multi.img"}, args...)...)
	}
}

// TestSoundOfWhatNoFileUses: a recording that was deleted lies in clusters that no file
// uses, and comes back byte for byte; what files hold is left to files.
func TestSoundOfWhatNoFileUses(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	outside := func(name string, args ...string) {
		t.Helper()
		cmd := exec.Command(need.Tool(t, name), args...)
		cmd.Dir = y.dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
	}
	deleted := demo.Song(3, 4)
	y.save(imagetest.New(65_536, 512), "old.img")
	outside("mformat", "-i", "old.img", "-T", "65536", "-h", "16", "-s", "63", "::")
	for name, song := range map[string][]byte{"GONE.WAV": deleted, "KEPT.WAV": demo.Song(4, 4)} {
		if err := os.WriteFile(y.path(name), song, 0o644); err != nil {
			t.Fatal(err)
		}
		outside("mcopy", "-i", "old.img", name, "::")
	}
	outside("mdel", "-i", "old.img", "::GONE.WAV")
	if told, _ := y.run(0, "files", "old.img", "--sound"); !strings.Contains(told, "--sound=free") {
		t.Errorf("a disk that is all volume is told nothing of its free clusters:\n%s", told)
	}
	told, _ := y.run(0, "files", "old.img", "--sound=free", "--to", "heard")
	if !strings.Contains(told, "1 run of sound, 4.0 s") {
		t.Errorf("said:\n%s", told)
	}
	found, err := os.ReadDir(y.path("heard"))
	if err != nil || len(found) != 2 {
		t.Fatalf("written: %v (%v)", found, err)
	}
	if got, err := os.ReadFile(y.path("heard/" + found[0].Name())); err != nil || !bytes.Equal(got, deleted) {
		t.Errorf("%s: %d bytes, wanted the %d of the song (%v)", found[0].Name(), len(got), len(deleted), err)
	}
}

// TestSoundHasNoRoom: a recording for which there is no room is left out and named, those
// behind it are written; a folder that is closed is said to be.
func TestSoundHasNoRoom(t *testing.T) {
	need.Root(t)
	y := newTyped(t)
	d := imagetest.New(20_000, 512)
	d.Put(100, demo.Song(3, 2))
	d.Put(2000, demo.Song(4, 30))
	d.Put(12_000, demo.Song(5, 2))
	y.save(d, "multi.img")
	if err := os.Mkdir(y.path("full"), 0o755); err != nil {
		t.Fatal(err)
	}
	need.Mount(t, "none", y.path("full"), "-t", "tmpfs", "-o", "size=400k")
	if said, _ := y.run(6, "files", "multi.img", "--sound", "--to", "full/heard"); !strings.Contains(said, "1 run, ") {
		t.Errorf("a full disk: %s", said)
	}
	left, err := os.ReadDir(y.path("full/heard"))
	if err != nil || len(left) != 3 || left[0].Name() != "001-sector-100.wav" || left[1].Name() != "003-sector-12000.wav" {
		t.Errorf("there: %v (%v)", left, err)
	}
	list, err := os.ReadFile(y.path("full/heard/LIST.txt"))
	if err != nil || !strings.Contains(string(list), "not written: there was no room for it\n  run 2,") {
		t.Errorf("the list (%v):\n%s", err, list)
	}
	if err := os.Mkdir(y.path("closed"), 0o755); err != nil {
		t.Fatal(err)
	}
	need.Mount(t, "none", y.path("closed"), "-t", "tmpfs", "-o", "size=400k,ro")
	if _, said := y.run(1, "files", "multi.img", "--sound", "--to", "closed/heard"); !strings.Contains(said, "closed/heard") {
		t.Errorf("a folder that cannot be written: %s", said)
	}
}
