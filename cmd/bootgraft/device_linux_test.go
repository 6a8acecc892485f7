package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/safety/faultdev"
)

// attach makes a block device of a file until the test ends.
func (y *typist) attach(path string, more ...string) (node string) {
	y.t.Helper()
	return need.Loop(y.t, path, more...)
}

// sudoers is an environment in which sudo is to be had. It is not run.
func (y *typist) sudoers() []string {
	y.t.Helper()
	dir := y.t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "sudo"), []byte("#!/bin/false\n"), 0o755); err != nil {
		y.t.Fatal(err)
	}
	for _, d := range []string{dir, filepath.Dir(dir)} {
		if err := os.Chmod(d, 0o755); err != nil {
			y.t.Fatal(err)
		}
	}
	return append(os.Environ(), "PATH="+dir)
}

// word rehearses a command and returns the word that it gives.
func (y *typist) word(args ...string) string {
	y.t.Helper()
	out, _ := y.types(talk.ExitDone, append(args, "--json")...)
	var j document.Rehearsal
	if err := json.Unmarshal([]byte(out), &j); err != nil || j.Confirm == nil {
		y.t.Fatalf("no word: %v\n%s", err, out)
	}
	return *j.Confirm
}

// Operations all over the write of a real block device fail, each in a run of its
// own: it ends with 4 and a blank sector 0, or nothing was written; then the same
// command brings it to its end. Package safety lets every operation fail, of a card
// in memory.
func TestWriteACardThatFails(t *testing.T) {
	need.FUSE(t)
	need.Tool(t, "losetup")
	t.Parallel()
	y := newTypist(t)
	y.inventOf("old.img", 11, 4096) // a larger one takes more time, and the same steps
	y.types(talk.ExitDone, "plan", "old.img", "--size", "8192s", "--tail", "end", "--accept", "tail-undecided", "-o", "c.plan")
	const sectors = 8192
	step := 30
	switch {
	case need.Long():
		step = 2
	case testing.Short():
		step = 90
	}
	whole := y.failAt(t, sectors, 0)
	if whole.code != talk.ExitDone || len(whole.ops) < 100 {
		t.Fatalf("without a fault it ends with %d after %d operations", whole.code, len(whole.ops))
	}
	var mu sync.Mutex
	ended := map[int]int{}
	t.Run("operation", func(t *testing.T) {
		for k := 1; k <= len(whole.ops); k += step {
			t.Run(fmt.Sprint(k), func(t *testing.T) {
				t.Parallel() // after a fault the program waits, for the card may be leaving
				code := y.failAt(t, sectors, k).code
				mu.Lock()
				defer mu.Unlock()
				ended[code]++
			})
		}
	})
	if ended[talk.ExitFenced] == 0 {
		t.Errorf("only these ended early: %v", ended)
	}
}

// What a card held is in the receipt of the write that stopped, and in nothing else: another
// plan does not take away the mark by which that receipt knows the card, unless its owner says
// so. Undone first, the card is as it was.
func TestAnotherPlanAsksForWhatAStoppedWriteKept(t *testing.T) {
	need.FUSE(t)
	need.Tool(t, "losetup")
	t.Parallel()
	y := newTypist(t)
	y.invent("old.img", 11)
	y.types(talk.ExitDone, "plan", "old.img", "--size", "32768s", "--tail", "end", "--accept", "tail-undecided", "-o", "c.plan")
	y.types(talk.ExitDone, "plan", "old.img", "--size", "32768s", "--tail", "drop", "--accept", "tail-undecided", "--accept",
		"tail-dropped", "-o", "d.plan")
	mine := bytes.Repeat([]byte("mine"), 128)
	begin := func(receipt string) (card *faultdev.Card, node, word string, write []string) {
		card = faultdev.New(32768, 512)
		card.Put(20_000, mine) // nobody looks there: the card is taken for a blank one
		node = y.attach(faultdev.Serve(t, card), "--direct-io=on")
		write = []string{"write", "c.plan", node, "--device", "--keep", "all", "--receipt", receipt}
		return card, node, y.word(write...), write
	}
	whole, _, word, write := begin("whole")
	y.types(talk.ExitDone, append(write, "--confirm", word)...)
	writes := 0 // reads are not counted: how many there are is for the kernel to say
	for _, op := range whole.Ops() {
		if op == "write" {
			writes++
		}
	}
	card, node, word, write := begin("c.plan.receipt")
	card.FailWrite(writes * 3 / 4) // most data is on the card then
	y.types(talk.ExitFenced, append(write, "--confirm", word)...)
	other := []string{"write", "d.plan", node, "--device"}
	_, said := y.types(talk.ExitRefused, other...)
	if !strings.Contains(said, "c.plan.receipt") || !strings.Contains(said, "--accept card-holds-unknown") {
		t.Errorf("another plan says\n%s", said)
	}
	y.word(append(other, "--keep", "all")...)
	y.word(append(other, "--accept", "card-holds-unknown")...)
	undo := []string{"undo", "c.plan.receipt", node, "--device"}
	y.types(talk.ExitDone, append(undo, "--confirm", y.word(undo...))...)
	got := make([]byte, 512)
	if _, err := card.Medium().ReadAt(got, 20_000*512); err != nil || !bytes.Equal(got, mine) {
		t.Errorf("after undo sector 20000 is not what it was: %v", err)
	}
	y.word(other...)
}

// failed is what became of a write one operation of which failed.
type failed struct {
	code int
	ops  []string // the operations of the write, up to its end
}

// failAt writes to a card whose k-th operation after the rehearsal fails, or none
// if k is 0. If that stops the write, the same command follows, without a fault.
func (y *typist) failAt(t *testing.T, sectors disk.Sector, k int) failed {
	t.Helper()
	y = y.in(t)
	card := faultdev.New(sectors, 512)
	node := y.attach(faultdev.Serve(t, card), "--direct-io=on")
	receipt := filepath.Join(t.TempDir(), "receipt")
	write := []string{"write", "c.plan", node, "--device", "--receipt", receipt}
	word := y.word(write...)
	before := len(card.Ops())
	if k > 0 {
		card.After(k-1, faultdev.Fail)
	}
	c := y.command(append(write, "--confirm", word)...)
	out, _ := c.CombinedOutput()
	was := failed{c.ProcessState.ExitCode(), card.Ops()[before:]}
	card.After(0, faultdev.None)
	if was.code == talk.ExitDone && card.Injected() > 0 {
		t.Fatalf("operation %d failed, and nobody says so:\n%s", k, out)
	}
	if was.code != talk.ExitDone && was.code != talk.ExitFailed && was.code != talk.ExitFenced && was.code != talk.ExitRefused {
		t.Fatalf("operation %d: it ended with %d\n%s", k, was.code, out)
	}
	first := make([]byte, 512)
	if _, err := card.Medium().ReadAt(first, 0); err != nil {
		t.Fatal(err)
	}
	if was.code == talk.ExitFenced && strings.Trim(string(first), "\x00") != "" {
		t.Errorf("operation %d: sector 0 is not blank", k)
	}
	if was.code != talk.ExitDone {
		y.types(talk.ExitDone, append(write, "--confirm", y.word(write...))...)
	}
	y.types(talk.ExitDone, "verify", "c.plan", node)
	return was
}

// Files that are made under sudo belong to the caller.
func TestFilesUnderSudoBelongToTheCaller(t *testing.T) {
	t.Parallel()
	need.Root(t)
	y := newTypist(t)
	if err := saveDemoDrive(y.path("old.img")); err != nil {
		t.Fatal(err)
	}
	y.env = []string{"SUDO_UID=1234", "SUDO_GID=4321"}
	y.types(talk.ExitDone, "plan", "old.img", "--size", "614400s", "-o", "c.plan")
	y.types(talk.ExitDone, "write", "c.plan", "card.img")
	y.types(talk.ExitDone, "files", "old.img", "--to", "out")
	drive := y.attach(y.path("old.img"), "-r")
	y.types(talk.ExitDone, "capture", drive, "cap.img", "--only", "boot")
	if err := os.WriteFile(y.path("card.raw"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(y.path("card.raw"), 614400*512); err != nil {
		t.Fatal(err)
	}
	write := []string{"write", "c.plan", y.attach(y.path("card.raw")), "--device"}
	out, _ := y.types(talk.ExitDone, write...)
	y.says(out, "  sudo bootgraft write c.plan /dev/loop")
	y.types(talk.ExitDone, append(write, "--confirm", y.word(write...))...)
	var paths []string
	for _, name := range []string{"c.plan", "card.img", "c.plan.receipt", "cap.img", "cap.img.record"} {
		paths = append(paths, y.path(name))
	}
	err := filepath.WalkDir(y.path("out"), func(p string, _ os.DirEntry, err error) error {
		paths = append(paths, p)
		return err
	})
	if err != nil || len(paths) < 20 {
		t.Fatalf("%d files, %v", len(paths), err)
	}
	for _, p := range paths {
		st, err := os.Lstat(p)
		if err != nil {
			t.Fatal(err)
		}
		if s := st.Sys().(*syscall.Stat_t); s.Uid != 1234 || s.Gid != 4321 {
			t.Errorf("%s belongs to %d:%d", p, s.Uid, s.Gid)
		}
	}
}

// Who may not open a card is told the very line to type.
func TestNoPermission(t *testing.T) {
	t.Parallel()
	need.Root(t)
	setpriv := need.Tool(t, "setpriv")
	y := newTypist(t)
	y.inventOf("old.img", 12, 2048)
	y.types(talk.ExitDone, "plan", "old.img", "--size", "20000s", "--tail", "end", "--accept", "tail-undecided", "-o", "it's c.plan")
	for _, dir := range []string{y.dir, filepath.Dir(y.bin)} {
		for ; dir != os.TempDir() && dir != "/"; dir = filepath.Dir(dir) {
			if err := os.Chmod(dir, 0o755); err != nil {
				t.Fatal(err)
			}
		}
	}
	node := y.attach(y.path("old.img"))
	if err := os.Chmod(y.path("old.img"), 0o644); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(setpriv, "--reuid", "65534", "--clear-groups", y.bin, "write", "it's c.plan", node, "--device")
	c.Dir, c.Env = y.dir, y.sudoers()
	out, _ := c.CombinedOutput()
	if c.ProcessState.ExitCode() != talk.ExitRefused {
		t.Fatalf("it ended with %d\n%s", c.ProcessState.ExitCode(), out)
	}
	y.says(string(out), `sudo bootgraft write 'it'\''s c.plan' `+node+` --device`)
}

// A card that is waited for is held from the moment it comes, and its name is
// in the line to type.
func TestWriteToTheNextCard(t *testing.T) {
	need.Root(t)
	need.OnlyDisk(t)
	y := newTypist(t)
	y.invent("old.img", 13)
	y.types(talk.ExitDone, "plan", "old.img", "--size", "20000s", "--tail", "end", "--accept", "tail-undecided", "-o", "c.plan")
	if err := os.WriteFile(y.path("card.raw"), make([]byte, 20000*512), 0o600); err != nil {
		t.Fatal(err)
	}
	c := y.command("write", "c.plan", "next", "--device")
	pipe, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	c.Stderr = c.Stdout // one conversation, as on a terminal
	need.Ends(t, c)
	var out strings.Builder
	said := bufio.NewReader(pipe)
	for !strings.Contains(out.String(), "Put the card in now") {
		line, err := said.ReadString('\n')
		if out.WriteString(line); err != nil {
			t.Fatalf("it does not wait: %v\n%s", err, out.String())
		}
	}
	node := y.attach(y.path("card.raw"))
	_, err = io.Copy(&out, said)
	if err = errors.Join(err, c.Wait()); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	y.says(out.String(), "Put the card in now")
	y.says(out.String(), "write c.plan "+node+" --device --confirm ")
	y.says(out.String(), "NOTHING HAS BEEN WRITTEN YET")
}

// TestReadmeCard types what the README shows of a real card, as root, but for
// the name of the device and the word, which are others on each machine.
func TestReadmeCard(t *testing.T) {
	t.Parallel()
	need.Root(t)
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"sh", "losetup", "truncate", "cmp"} {
		need.Tool(t, name)
	}
	steps := readmeSteps(t, string(text), "```root", "# ")
	if len(steps) < 6 {
		t.Fatalf("the README shows %d commands, want a whole run", len(steps))
	}
	y := newTypist(t)
	if err := os.Mkdir(y.path("quill"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := saveDemoDrive(y.path("quill/recorder.img")); err != nil {
		t.Fatal(err)
	}
	y.types(talk.ExitDone, "plan", "quill/recorder.img", "--size", "614400s", "-o", "quill/card.plan")
	const shownNode, shownWord = "/dev/loop0", "k4t7-h3x9-m5r2w8"
	node, word, attached := shownNode, shownWord, false
	for _, s := range steps {
		line := strings.NewReplacer(shownNode, node, shownWord, word).Replace(s.line)
		c := exec.Command("sh", "-c", line)
		c.Dir = y.dir
		c.Env = append(os.Environ(), "PATH="+filepath.Dir(y.bin)+":/usr/sbin:/sbin:"+os.Getenv("PATH"))
		var errs strings.Builder
		c.Stderr = &errs
		release := func() {}
		if strings.HasPrefix(line, "losetup") { // the others may make their disks while the card is written
			release = need.NewDisk(t)
		}
		out, err := c.Output()
		release()
		if got := c.ProcessState.ExitCode(); got != s.ends {
			t.Fatalf("%s ends with %d, not %d: %v\n%s%s", line, got, s.ends, err, out, errs.String())
		}
		if strings.HasPrefix(line, "losetup -f") {
			node, attached = strings.TrimSpace(string(out)), true
			back := need.LentLoop(t, node)
			t.Cleanup(func() {
				if err := back(); err != nil {
					t.Error(err)
				}
			})
		}
		attached = attached && !strings.HasPrefix(line, "losetup -d")
		if m := confirmWord.FindStringSubmatch(string(out)); m != nil {
			word = m[1]
		}
		checkShown(t, s.shown, strings.NewReplacer(node, shownNode, word, shownWord).Replace(string(out)))
	}
	if attached || word == shownWord {
		t.Error("the device is still attached, or no word was given")
	}
}
