package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/volume/fat"
)

// lie writes what a bridge shows of old.img.
func lie(t *testing.T, y *typist, name string, change func([]byte) []byte) {
	t.Helper()
	b, err := os.ReadFile(y.path("old.img"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(y.path(name), change(b), 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestCaptureTellsALyingBridge: what a bridge does to a drive is said while it is read,
// at the end, in the record, and by whoever looks at the image; the end is no success.
func TestCaptureTellsALyingBridge(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	d := imagetest.New(20_160, 512)
	volume := disk.Span{Start: 63, Count: 19_089}
	disks.MBR(d, disks.Entry{Span: volume, Type: 6})
	disks.FAT(d, volume, fat.FAT16, 100_000, 200_000)
	b := make([]byte, d.Size())
	if _, err := d.ReadAt(b, 0); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(y.path("old.img"), b, 0o600); err != nil {
		t.Fatal(err)
	}
	lie(t, y, "repeats.img", func(b []byte) []byte { return append(b, b...) })
	lie(t, y, "short.img", func(b []byte) []byte { return b[:(volume.End()-1)*512] })
	lie(t, y, "swapped.img", func(b []byte) []byte {
		for i := 0; i < len(b); i += 2 {
			b[i], b[i+1] = b[i+1], b[i]
		}
		return b
	})
	for _, c := range []struct {
		img  string
		code disk.Code
		end  int
	}{
		{"old.img", "", talk.ExitDone}, {"repeats.img", disk.BridgeRepeats, talk.ExitIncomplete},
		{"short.img", disk.BridgeLastMissing, talk.ExitIncomplete}, {"swapped.img", disk.BridgeByteOrder, talk.ExitDone},
	} {
		for range 2 { // the second run reads nothing, and says it again
			said, errs := y.types(c.end, "capture", c.img, "copy-"+c.img, "--json")
			var got document.Capture
			if err := json.Unmarshal([]byte(said), &got); err != nil {
				t.Fatal(err)
			}
			var codes []disk.Code
			for _, f := range got.Findings {
				codes = append(codes, f.Code)
			}
			if c.code == "" && len(codes) > 0 || c.code != "" && !slices.Equal(codes, []disk.Code{c.code}) {
				t.Errorf("%s: %v, want %s\n%s", c.img, codes, c.code, errs)
			}
		}
		rec, err := os.ReadFile(y.path("copy-" + c.img + ".record"))
		if err != nil || c.code != "" && !strings.Contains(string(rec), "# Bridge check: "+string(c.code)) {
			t.Errorf("%s: the record does not say it: %v", c.img, err)
		}
		if c.code != "" {
			said, _ := y.types(talk.ExitDone, "survey", "copy-"+c.img)
			y.says(said, string(c.code))
		}
	}
}

// TestSurveyOfALyingReader: a real block device that shows sectors of 4,096 bytes of a
// drive that was used with 512 (losetup -b): a short look says so, and card and capture.
func TestSurveyOfALyingReader(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	sfdisk := need.Tool(t, "sfdisk")
	// 63 is inside a sector of 4,096 bytes, so the entry begins at 2048 as on later drives.
	if err := os.WriteFile(y.path("a.img"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(y.path("a.img"), 200_000*512); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(sfdisk, "--force", "-q", y.path("a.img"))
	c.Stdin = strings.NewReader("label: dos\nstart=2048, size=190000, type=0b\n")
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	mkfs := exec.Command(need.Tool(t, "mkfs.fat"), "--offset", "2048", "-F", "16", y.path("a.img"), "95000")
	if out, err := mkfs.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	lying := need.Loop(t, y.path("a.img"), "-b", "4096")
	honest := need.Loop(t, y.path("a.img"))
	for _, verb := range []string{"survey", "card"} {
		said, _ := y.types(talk.ExitDone, verb, lying)
		y.says(strings.Join(strings.Fields(said), " "), "what lies on the drive counts in sectors of 512")
		if said, _ = y.types(talk.ExitDone, verb, honest); strings.Contains(said, "counts in sectors of") {
			t.Errorf("%s: %s", verb, said)
		}
	}
	said, _ := y.types(talk.ExitIncomplete, "capture", lying, "copy.img", "--json")
	var got document.Capture
	if err := json.Unmarshal([]byte(said), &got); err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(got.Findings, func(f document.Finding) bool { return f.Code == disk.BridgeSectorSize }) {
		t.Errorf("capture does not say that sectors have another size: %s", said)
	}
}
