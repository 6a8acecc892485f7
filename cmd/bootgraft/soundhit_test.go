package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/demo"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// tapedDrive is a drive with recordings outside every volume, and bad sectors. It notes in
// which order it is read.
type tapedDrive struct {
	*imagetest.Disk
	bad   disk.Spans
	reads []disk.Span
}

func (*tapedDrive) Identity() image.Identity { return image.Identity{Model: "REED 210", Bus: "ata"} }

func (d *tapedDrive) ReadAt(p []byte, off int64) (int, error) {
	s := disk.Between(disk.Sector(off/512), disk.Sector((off+int64(len(p)))/512))
	d.reads = append(d.reads, s)
	if len(d.bad.Within(s)) > 0 {
		return 0, &image.ReadError{Span: s, Fault: image.BadSector, Err: errors.New("input/output error")}
	}
	return d.Disk.ReadAt(p, off)
}

// first returns the number of the read that first touched a sector.
func (d *tapedDrive) first(x disk.Sector) int {
	for i, s := range d.reads {
		if s.Holds(x) {
			return i
		}
	}
	return -1
}

// TestCaptureNamesTheSoundThatIsHit: what sounds is read before what does not, though it
// lies behind it, and what is missing is named by its run, by capture, plan and files.
func TestCaptureNamesTheSoundThatIsHit(t *testing.T) {
	t.Parallel()
	const every = 64 << 20 / 512
	y := newTyped(t)
	d := &tapedDrive{Disk: imagetest.New(7*every, 512)}
	long := demo.Song(5, 60) // covers the sample in the middle of its stretch
	at := disk.Sector(4*every + every/2 - 2000)
	d.Put(at, long)
	d.Put(3*every+500, demo.Song(6, 4))
	d.bad = disk.NewSpans(disk.Span{Start: at + 1000, Count: 12})

	var out, said bytes.Buffer
	u := talk.New(nil)
	u.Out, u.Err, u.Screen, u.Bars = &out, &said, io.Discard, false
	err := execute(context.Background(), u, map[string]capture.Drive{"played": d}, []string{"capture", "played", y.path("old.img")})
	if talk.ExitCode(err) != talk.ExitIncomplete {
		t.Fatalf("capture ends with %v\n%s%s", err, out.String(), said.String())
	}
	if sample, sound, rest := d.first(2*every+every/2+60), d.first(at+3000), d.first(2*every+100); sample < 0 || sample > sound || sound > rest {
		t.Errorf("a sample is read %d., the sound %d., the rest in front of it %d.", sample, sound, rest)
	}
	// 12 sectors are 6144 bytes, 0.139 s of 44,100 bytes a second.
	const hit = "12 missing sectors, 0.1 s in run 2 of the sound"
	unfolded := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	if !strings.Contains(unfolded(out.String()), hit) {
		t.Errorf("capture says:\n%s", out.String())
	}
	out.Reset()
	args := []string{"capture", "played", y.path("old.img"), "--json"}
	again := talk.New(args)
	again.Out, again.Err, again.Screen, again.Bars = &out, &said, io.Discard, false
	err = again.Said(execute(context.Background(), again, map[string]capture.Drive{"played": d}, args))
	var object struct {
		SoundHit []struct {
			Run     int     `json:"run"`
			First   int64   `json:"first_missing_sector"`
			Sectors int64   `json:"missing_sectors"`
			Seconds float64 `json:"seconds"`
		} `json:"sound_hit"`
	}
	if bad := json.Unmarshal(out.Bytes(), &object); bad != nil || talk.ExitCode(err) != talk.ExitIncomplete {
		t.Fatalf("capture --json (%v, %v):\n%s", err, bad, out.String())
	}
	if h := object.SoundHit; len(h) != 1 || h[0].Run != 2 || h[0].First != int64(at)+1000 || h[0].Sectors != 12 ||
		h[0].Seconds < 0.139 || h[0].Seconds > 0.14 {
		t.Errorf("sound_hit is %+v", h)
	}
	told, _ := y.run(0, "plan", "old.img", "--size", "1000000s", "--accept", "missing-in-boot-area")
	if !strings.Contains(unfolded(told), hit) {
		t.Errorf("plan says:\n%s", told)
	}
	told, _ = y.run(6, "files", "old.img", "--sound", "--to", "heard")
	if !strings.Contains(told, "MISSING: 12 sectors from sector") || !strings.Contains(told, "0.14 s") {
		t.Errorf("files says:\n%s", told)
	}
}
