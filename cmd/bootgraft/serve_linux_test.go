package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// serves begins to show a disk, and returns when it can be reached. ended waits
// for the end and returns the answer.
func (y *typist) serves(args ...string) (ended func() string) {
	y.t.Helper()
	return y.serving(talk.ExitDone, args...)
}

// serving is serves with another end.
func (y *typist) serving(want int, args ...string) (ended func() string) {
	y.t.Helper()
	said := y.servesAndSays(want, args...)
	return func() string {
		y.t.Helper()
		out, _ := said()
		return out
	}
}

func (y *typist) servesAndSays(want int, args ...string) (ended func() (answer, said string)) {
	y.t.Helper()
	c := y.command(append([]string{"serve", "--socket", y.path("s"), "--once", "--json"}, args...)...)
	var out, errs bytes.Buffer
	c.Stdout, c.Stderr = &out, &errs
	need.Ends(y.t, c)
	for range 500 {
		if _, err := os.Lstat(y.path("s")); err == nil {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	return func() (string, string) {
		y.t.Helper()
		if err := c.Wait(); c.ProcessState.ExitCode() != want {
			y.t.Fatalf("%v: %v, want exit %d\n%s%s", args, err, want, out.String(), errs.String())
		}
		return out.String(), errs.String()
	}
}

func (y *typist) nbd() string { return "nbd+unix:///?socket=" + y.path("s") }

// planned makes the drive of the demonstration and a plan of a smaller card.
func (y *typist) planned() {
	y.t.Helper()
	if err := saveDemoDrive(y.path("old.img")); err != nil {
		y.t.Fatal(err)
	}
	y.types(talk.ExitDone, "plan", "old.img", "--size", "400000s", "--volume", "1:shrink", "-o", "p")
	y.types(talk.ExitDone, "write", "p", "card.img")
}

// TestServeAPlannedCard: a client of others reads through serve what write makes of
// the same plan, and the answer tells what was read.
func TestServeAPlannedCard(t *testing.T) {
	t.Parallel()
	copies := need.Tool(t, "nbdcopy")
	y := newTypist(t)
	y.planned()
	ended := y.serves("p", "--trace", "trace")
	st, err := os.Lstat(y.path("s"))
	if err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("the socket is %v, %v", st.Mode(), err)
	}
	if out, err := exec.Command(copies, y.nbd(), y.path("out")).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	var got document.Serve
	if err := json.Unmarshal([]byte(ended()), &got); err != nil {
		t.Fatal(err)
	}
	if err := sameFiles(y.path("out"), y.path("card.img")); err != nil {
		t.Error(err)
	}
	if got.Sectors != 400_000 || got.Clients == 0 || got.Reads == 0 || len(got.Never) > 0 || len(got.Unknown) > 0 || got.Writes > 0 {
		t.Errorf("%+v", got)
	}
	told, err := os.ReadFile(y.path("trace"))
	if err != nil {
		t.Fatal(err)
	}
	y.says(string(told), `{"start":63,"count":1,"owner":"boot sector of volume 1"}`)
	y.says(string(told), "04 Barley Queen.wav")
	var read disk.Spans
	for _, line := range strings.Split(strings.TrimSpace(string(told)), "\n") {
		var a document.Access
		if err := json.Unmarshal([]byte(line), &a); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		read = read.Add(disk.Span{Start: a.Start, Count: a.Count})
	}
	if !slices.Equal(read, disk.Spans{{Count: 400_000}}) {
		t.Errorf("by the trace %v was read", read)
	}
	if _, err := os.Lstat(y.path("s")); err == nil {
		t.Error("the socket is still there")
	}
}

func sameFiles(a, b string) error {
	x, err := os.ReadFile(a)
	if err != nil {
		return err
	}
	y, err := os.ReadFile(b)
	if err == nil && !bytes.Equal(x, y) {
		err = fmt.Errorf("%s and %s differ", a, b)
	}
	return err
}

// TestServeSaysWhatCanBeHad: before anybody asks, also where the answer is wanted as
// JSON, it is said where the disk is, what is not known of it, and whether a machine
// can be started from it: one whose disk has sectors of 512 bytes.
func TestServeSaysWhatCanBeHad(t *testing.T) {
	t.Parallel()
	copies := need.Tool(t, "nbdcopy")
	y := newTypist(t)
	y.planned()
	y.types(talk.ExitDone, "kit", "make", "old.img", "-o", "k")
	for _, tt := range []struct {
		args      []string
		says, not string
	}{
		{[]string{"p"}, "To start a machine", "does not know"},
		{[]string{"k"}, "The source does not know ", "nothing"},
		{[]string{"old.img", "--sector-size", "4096"}, "A PC starts from sectors of 512 bytes, and these have 4096", "qemu"},
	} {
		ended := y.servesAndSays(talk.ExitDone, tt.args...)
		_ = exec.Command(copies, y.nbd(), "null:").Run() // fails where sectors are not known
		_, said := ended()
		y.says(said, y.nbd())
		y.says(said, tt.says)
		if strings.Contains(said, tt.not) {
			t.Errorf("%v: %q is said:\n%s", tt.args, tt.not, said)
		}
	}
}

// TestServeRefuses: what cannot be shown, and where a file would be hurt.
func TestServeRefuses(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	y.planned()
	for name, content := range map[string]string{"text": "hello", "empty": ""} {
		if err := os.WriteFile(y.path(name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, tt := range []struct {
		want int
		says string
		args []string
	}{
		{talk.ExitUsage, "exclude each other", []string{"p", "--socket", "s", "--port", "0"}},
		{talk.ExitUsage, "--port 70000 is no port", []string{"p", "--port", "70000"}},
		{talk.ExitRefused, "capture it first", []string{"p", "--accept", "live-source"}},
		{talk.ExitUsage, "--source goes with a plan", []string{"old.img", "--source", "old.img"}},
		{talk.ExitRefused, "give another name with --socket", []string{"p", "--socket", "old.img"}},
		{talk.ExitRefused, "a shorter one", []string{"p", "--socket", strings.Repeat("x", 150)}},
		{talk.ExitRefused, "old.img", []string{"p", "--trace", "old.img"}},
		{talk.ExitRefused, "p", []string{"p", "--trace", "p"}},
		{talk.ExitRefused, "a trace is put in the place of no other file", []string{"p", "--trace", "text"}},
		{talk.ExitRefused, "it exists; choose another name\n", []string{"p", "--trace", "empty"}},
	} {
		_, said := y.types(tt.want, append([]string{"serve"}, tt.args...)...)
		y.says(said, tt.says)
	}
	y.env = append(y.env, "TMPDIR="+y.path("gone"))
	_, lost := y.types(talk.ExitRefused, "serve", "p")
	y.says(lost, "set TMPDIR to a folder that is there, or give a name with --socket")
	stale, err := net.ListenUnix("unix", &net.UnixAddr{Name: y.path("stale"), Net: "unix"})
	if err != nil {
		t.Fatal(err)
	}
	stale.SetUnlinkOnClose(false) // as after a kill
	stale.Close()
	_, said := y.types(talk.ExitRefused, "serve", "p", "--socket", "stale")
	y.says(said, "nobody listens there any more: delete it")
	_, said = y.types(talk.ExitRefused, "serve", "p", "--socket", "old.img")
	if y.says(said, "give another name"); strings.Contains(said, "delete") {
		t.Errorf("the image of a drive is to be deleted: %s", said)
	}
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer full.Close()
	c := y.command("serve", "p", "--socket", "s")
	c.Stdout = full
	need.Ends(t, c)
	c.Wait()
	if got := c.ProcessState.ExitCode(); got != talk.ExitFailed {
		t.Errorf("an address that nobody was told: exit %d", got)
	}
	device := need.Loop(t, y.path("old.img"), "-r")
	_, said = y.types(talk.ExitRefused, "serve", device)
	y.says(said, "is a block device")
}

// bootCode reads one sector by its number (INT 13h, AH=42h: "BIOS Enhanced Disk
// Drive Specification" 3.0, phoenix technologies, from memory) and sends its first
// 6 bytes to the port that the machine keeps for messages.
func bootCode(sector byte) []byte {
	code := []byte{
		0x31, 0xC0, // xor ax, ax
		0x8E, 0xD8, // mov ds, ax
		0xBE, 0x30, 0x7C, // mov si, packet
		0xB4, 0x42, // mov ah, 42h
		0xB2, 0x80, // mov dl, 80h
		0xCD, 0x13, // int 13h
		0xBE, 0x00, 0x80, // mov si, 8000h
		0xB9, 0x06, 0x00, // mov cx, 6
		0xAC,       // lodsb
		0xE6, 0xE9, // out E9h, al
		0xE2, 0xFB, // loop
		0xF4,       // hlt
		0xEB, 0xFD, // jmp to it
	}
	b := make([]byte, 0x40)
	copy(b, code)
	copy(b[0x30:], []byte{0x10, 0, 1, 0, 0x00, 0x80, 0, 0, sector})
	return b
}

// TestAMachineStartsFromAPlannedCard: boot code of the planned card runs in a virtual
// machine before there is a card, and the story says which sectors it read.
func TestAMachineStartsFromAPlannedCard(t *testing.T) {
	t.Parallel()
	machine := need.Tool(t, "qemu-system-i386")
	y := newTypist(t)
	if err := saveDemoDrive(y.path("old.img")); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(y.path("old.img"), os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	for at, b := range map[int64][]byte{0: bootCode(41), 41 * 512: []byte("HARVEST"), 510: {0x55, 0xAA}} {
		if _, err := f.WriteAt(b, at); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	y.types(talk.ExitDone, "plan", "old.img", "--size", "400000s", "--volume", "1:shrink", "-o", "p")
	ended := y.serves("p")
	c := exec.Command(machine, "-m", "32", "-display", "none", "-nodefaults", "-no-reboot", "-debugcon", "stdio",
		"-drive", "snapshot=on,if=ide,format=raw,file="+y.nbd())
	pipe, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	need.Ends(t, c)
	heard := make(chan string, 1)
	go func() {
		b := make([]byte, 6)
		n, _ := io.ReadFull(pipe, b)
		heard <- string(b[:n])
	}()
	select {
	case got := <-heard:
		if got != "HARVES" {
			t.Errorf("the machine says %q", got)
		}
	case <-time.After(2 * time.Minute):
		t.Error("the machine says nothing")
	}
	if err := c.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	c.Wait()
	var got document.Serve
	if err := json.Unmarshal([]byte(ended()), &got); err != nil {
		t.Fatal(err)
	}
	if n := len(got.Read); n < 2 || got.Read[0].First != 0 || got.Read[n-1].First != 41 || got.Read[n-1].Last != 41 {
		t.Errorf("it is told that the machine read %+v", got.Read)
	}
	never := false
	for _, o := range got.Never {
		never = never || o.Name == "boot sector of volume 1"
	}
	if !never {
		t.Errorf("never read: %+v", got.Never)
	}
}

// TestServeTellsWhatItCouldNotRead: a source that fails in the midst of it, and what a
// capture does not know, are said, and the first is no success.
func TestServeTellsWhatItCouldNotRead(t *testing.T) {
	t.Parallel()
	copies := need.Tool(t, "nbdcopy")
	y := newTypist(t)
	y.planned()
	ended := y.serving(talk.ExitFailed, "old.img")
	if err := os.Truncate(y.path("old.img"), 1<<20); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(copies, y.nbd(), "null:").CombinedOutput(); err == nil {
		t.Errorf("what is not there any more is read: %s", out)
	}
	var got document.Serve
	if err := json.Unmarshal([]byte(ended()), &got); err != nil {
		t.Fatal(err)
	}
	if len(got.Failed) == 0 || got.Error == nil {
		t.Errorf("%+v", got)
	}
}
