package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/demo"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/capture/rig"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// A process of this binary may be the server of a drive with real read errors.
func init() { rig.Main() }

// typist runs the program as typed, in a folder of its own.
type typist struct {
	t        *testing.T
	bin, dir string
	env      []string // beside that of the test
}

func newTypist(t *testing.T) *typist {
	return &typist{t: t, bin: selfAs(t, "bootgraft"), dir: t.TempDir()}
}

// in is the same person in the same folder, in a subtest.
func (y *typist) in(t *testing.T) *typist { return &typist{t, y.bin, y.dir, y.env} }

func (y *typist) path(name string) string { return filepath.Join(y.dir, name) }

func (y *typist) command(args ...string) *exec.Cmd {
	c := exec.Command(y.bin, args...)
	c.Dir, c.Env = y.dir, append(os.Environ(), y.env...)
	return c
}

// types runs a command that must end with the given code, and returns what it
// says.
func (y *typist) types(want int, args ...string) (stdout, stderr string) {
	y.t.Helper()
	var out, errs bytes.Buffer
	c := y.command(args...)
	c.Stdout, c.Stderr = &out, &errs
	err := c.Run()
	if got := c.ProcessState.ExitCode(); got != want {
		y.t.Fatalf("%v ended with %d, want %d: %v\n%s%s", args, got, want, err, out.String(), errs.String())
	}
	return out.String(), errs.String()
}

func (y *typist) says(text, want string) {
	y.t.Helper()
	if !strings.Contains(text, want) {
		y.t.Errorf("%q is not said:\n%s", want, text)
	}
}

// invent makes the content of a small drive without any volume.
func (y *typist) invent(name string, seed uint64) (content []byte) {
	y.t.Helper()
	return y.inventOf(name, seed, 16384)
}

// inventOf makes one of so many sectors.
func (y *typist) inventOf(name string, seed uint64, sectors disk.Sector) (content []byte) {
	y.t.Helper()
	content = make([]byte, sectors*512)
	rng := rand.New(rand.NewPCG(seed, 7))
	for i := range content {
		content[i] = byte(rng.Uint32())
	}
	if err := os.WriteFile(y.path(name), content, 0o600); err != nil {
		y.t.Fatal(err)
	}
	return content
}

// holds wants the image to have the content of the drive in all sectors but the
// missing ones.
func (y *typist) holds(img string, content []byte, missing disk.Spans) {
	y.t.Helper()
	got, err := image.Open(y.path(img), 512)
	if err != nil {
		y.t.Fatal(err)
	}
	defer got.Close()
	if got.Size() != int64(len(content)) {
		y.t.Fatalf("%s has %d bytes", img, got.Size())
	}
	differ := false
	for _, s := range missing.Outside(image.Whole(got)) {
		err := image.Runs(y.t.Context(), got, s, image.Visitor{
			Hole: func(h disk.Span) {
				if !isZeros(content[h.Start*512 : h.End()*512]) {
					y.t.Errorf("sectors %s of %s are a hole, and not those of the drive", h, img)
					differ = true
				}
			},
			Sector: func(x disk.Sector, b []byte) {
				if !bytes.Equal(b, content[x*512:x*512+512]) {
					y.t.Errorf("sector %d of %s is not that of the drive: % x", x, img, b[:16])
					differ = true
				}
			},
		})
		if err != nil {
			y.t.Fatal(err)
		}
	}
	if differ {
		rec, _ := os.ReadFile(y.path(img + ".record"))
		y.t.Logf("%s", rec)
	}
}

// TestCaptureADyingDrive: the whole job at a block device with real read errors.
// What the program prints is held against the faults that the drive was given
// and against its content. The log of the drive is held against the promises of
// acquisition tools: DDA-RM-07, DDA-RM-08, DA-AO-24 (NIST CFTT, Digital Data
// Acquisition Tool Specification, 2004; from memory).
func TestCaptureADyingDrive(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	if err := saveDemoDrive(y.path("well.img")); err != nil {
		t.Fatal(err)
	}
	content, err := os.ReadFile(y.path("well.img"))
	if err != nil {
		t.Fatal(err)
	}
	r := rig.Start(t, y.path("well.img"), rig.Faults{Bad: demo.Bad})

	said, _ := y.types(talk.ExitDone, "survey", r.Device)
	y.says(said, "short look")
	for _, args := range [][]string{{"plan", r.Device, "--size", "614400s"}, {"files", r.Device}} {
		_, refusal := y.types(talk.ExitRefused, args...)
		y.says(refusal, "bootgraft capture "+r.Device)
	}
	if n := len(r.Log()); n > 20 {
		t.Errorf("a short look and two refusals read %d times", n)
	}

	said, _ = y.types(talk.ExitIncomplete, "capture", r.Device, "old.img", "--json")
	var got document.Capture
	if err := json.Unmarshal([]byte(said), &got); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.Missing, []disk.Span(demo.Bad)) || len(got.Unread)+len(got.Skipped)+len(got.Unstable) > 0 {
		t.Errorf("missing %v, want %v; unread %v", got.Missing, demo.Bad, got.Unread)
	}
	y.holds("old.img", content, demo.Bad)
	for _, a := range r.Log() {
		if a.Write {
			t.Fatalf("sectors %s of the drive were written to", a.Span)
		}
	}
	y.files(content)
	y.card()
}

// files wants the damaged files to be named with the bytes that are missing.
func (y *typist) files(content []byte) {
	y.t.Helper()
	said, _ := y.types(talk.ExitIncomplete, "files", "old.img", "--json", "--to", "rescued")
	var got document.Files
	if err := json.Unmarshal([]byte(said), &got); err != nil {
		y.t.Fatal(err)
	}
	damaged := 0
	for _, f := range got.Files {
		if len(f.Missing) == 0 && f.Fault == "" {
			continue
		}
		damaged++
		for _, h := range f.Missing {
			// 16 bit mono at 22,050 Hz behind a header of 44 bytes (RIFF WAVE): X00.
			from, to := float64(h.Start-44)/44100, float64(h.Start+h.Count-44)/44100
			if h.From == nil || math.Abs(*h.From-from) > 1e-6 || math.Abs(*h.To-to) > 1e-6 {
				y.t.Errorf("%s: bytes %d+%d are said to spoil %v to %v seconds, want %v to %v", f.Path, h.Start, h.Count, *h.From, *h.To, from, to)
			}
		}
		if _, err := os.Stat(filepath.Join(y.dir, "rescued", "volume-1", f.Path)); err == nil || f.Written != "" {
			y.t.Errorf("%s was copied although nobody asked", f.Path)
		}
	}
	if damaged != 2 {
		y.t.Errorf("%d files are damaged, want 2", damaged)
	}
	list, err := os.ReadFile(y.path("rescued/" + page.DamagedName))
	if err != nil {
		y.t.Fatal(err)
	}
	y.says(string(list), "volume-1/Upper Quill 2000/04 Barley Queen.wav")
	y.says(string(list), "bytes 126,464 to 138,751, sound from 00:02.8 to 00:03.2")

	y.types(talk.ExitIncomplete, "files", "old.img", "--to", "all", "--damaged", "zero")
	hurt, err := os.ReadFile(y.path("all/volume-1/Upper Quill 2000/04 Barley Queen.wav"))
	if err != nil {
		y.t.Fatal(err)
	}
	want := demo.Song(14, 6)
	clear(want[126_464:138_752])
	if !bytes.Equal(hurt, want) {
		y.t.Error("a damaged file is not what it was, with zeros in its hole")
	}
}

// card wants missing sectors to be accepted by their code, to be zeros on the
// card, and never to end as if nothing were missing.
func (y *typist) card() {
	y.t.Helper()
	plan := []string{"plan", "old.img", "--size", "614400s", "-o", "p"}
	_, refusal := y.types(talk.ExitRefused, plan...)
	y.says(refusal, "--accept missing-in-volume")
	said, _ := y.types(talk.ExitDone, append(plan, "--accept", "missing-in-volume")...)
	y.says(said, "twin-used") // sector 101 is of the first of two allocation tables
	y.types(talk.ExitIncomplete, "write", "p", "card.img")
	y.types(talk.ExitIncomplete, "verify", "p", "card.img")
	card, err := image.Open(y.path("card.img"), 512)
	if err != nil {
		y.t.Fatal(err)
	}
	defer card.Close()
	for _, s := range demo.Bad[1:] {
		if b, err := image.ReadSectors(card, s); err != nil || len(bytes.Trim(b, "\x00")) > 0 {
			y.t.Errorf("missing sectors %s are not zeros on the card (%v)", s, err)
		}
	}
}

// TestCaptureGoesOn: a drive that vanishes, comes back under another name, is
// interrupted, and hangs, is read to its end by one command; another drive is
// refused at any time.
func TestCaptureGoesOn(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	content := y.invent("drive", 1)
	y.invent("other", 2)
	bad := disk.Spans{{Start: 5000, Count: 9}, {Start: 12_000, Count: 1}}
	command := func(r *rig.Rig) []string { return []string{"capture", r.Device, "old.img", "--looks", "1"} }

	first := rig.Start(t, y.path("drive"), rig.Faults{Bad: bad, GoneAfter: 12})
	_, said := y.types(talk.ExitStopped, command(first)...)
	y.says(said, "the drive is gone")
	other := rig.Start(t, y.path("other"), rig.Faults{})
	_, said = y.types(talk.ExitRefused, command(other)...)
	y.says(said, "not the drive")

	hangs := rig.Start(t, y.path("drive"), rig.Faults{Bad: bad, Hangs: []disk.Sector{9000}})
	y.says(y.pullsOut(hangs, command(hangs)...), "did not answer")

	back := rig.Start(t, y.path("drive"), rig.Faults{Bad: bad})
	if back.Device == first.Device {
		t.Error("the drive has come back under the same name")
	}
	y.types(talk.ExitIncomplete, command(back)...)
	y.holds("old.img", content, bad)
	_, said = y.types(talk.ExitRefused, command(other)...) // nothing is left to do, and still it is another one
	y.says(said, "not the drive")
	y.holds("old.img", content, bad)
	for _, r := range []*rig.Rig{first, other, hangs, back} {
		for _, a := range r.Log() {
			if a.Write {
				t.Errorf("sectors %s of a drive were written to", a.Span)
			}
		}
	}
}

// pullsOut runs a command that the drive hangs, presses Ctrl-C, and pulls the
// drive out when the program has said its last words: the kernel does not let it
// end before the read ends.
func (y *typist) pullsOut(r *rig.Rig, args ...string) (stderr string) {
	y.t.Helper()
	c := y.command(args...)
	pipe, err := c.StderrPipe()
	if err != nil {
		y.t.Fatal(err)
	}
	need.Ends(y.t, c)
	r.WaitHang()
	y.press(c)
	var said strings.Builder
	for lines := bufio.NewScanner(pipe); lines.Scan(); {
		said.WriteString(lines.Text() + "\n")
		if strings.HasPrefix(lines.Text(), "bootgraft: ") {
			r.Vanish()
		}
	}
	if c.Wait(); c.ProcessState.ExitCode() != talk.ExitStopped {
		y.t.Fatalf("%v ended with %d\n%s", args, c.ProcessState.ExitCode(), said.String())
	}
	return said.String()
}

// TestCaptureIsKilled: kill -9 at any moment, and the same command goes on.
func TestCaptureIsKilled(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	content := y.invent("drive", 3)
	bad := disk.Spans{{Start: 700, Count: 3}, {Start: 9000, Count: 1}}
	slow := map[disk.Sector]time.Duration{}
	for x := disk.Sector(100); x < 16_384; x += 1024 {
		slow[x] = 20 * time.Millisecond
	}
	r := rig.Start(t, y.path("drive"), rig.Faults{Bad: bad, Slow: slow})
	for _, after := range []time.Duration{40, 90, 140, 200} {
		c := y.command("capture", r.Device, "old.img", "--looks", "1")
		need.Ends(t, c)
		time.Sleep(after * time.Millisecond)
		if err := c.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		c.Wait()
	}
	y.types(talk.ExitIncomplete, "capture", r.Device, "old.img", "--looks", "1")
	y.holds("old.img", content, bad)
	y.types(talk.ExitDone, "verify", "old.img")
}
