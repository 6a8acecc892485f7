package main

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	picture "image"
	"image/jpeg"
	"os"
	"os/exec"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// fillOf is what a capture puts into a missing sector of 512 bytes, written down
// a second time from its documented form.
func fillOf(x int) []byte {
	return bytes.Repeat(fmt.Appendf(nil, "%-63s\n", fmt.Sprintf("MISSING SECTOR %019d bootgraft: see the .record", x)), 8)
}

// lost makes the image of the demonstration's drive as a capture leaves it, with
// failed sectors, and without its record.
func (y *typed) lost(name string, bad ...int) {
	y.t.Helper()
	if err := saveDemoDrive(y.path(name)); err != nil {
		y.t.Fatal(err)
	}
	f, err := os.OpenFile(y.path(name), os.O_RDWR, 0)
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	for _, x := range bad {
		if _, err := f.WriteAt(fillOf(x), int64(x)*512); err != nil {
			y.t.Fatal(err)
		}
	}
}

// An image whose record is lost is refused before there is a plan, wherever its
// failed sectors lie, and by every command that would use it; a survey and a list
// of files say it. What is accepted counts as missing: on the card it is zeros.
func TestAnImageWithoutItsRecord(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	y.lost("old.img", 30, 31, 260_000)
	for _, args := range [][]string{
		{"plan", "old.img", "--size", "614400s", "-o", "c.plan"},
		{"plan", "old.img", "--size", "524160s", "-o", "c.plan"},
		{"kit", "make", "old.img", "-o", "k.kit"},
		{"compare", "old.img", "other.img"},
	} {
		_, said := y.run(talk.ExitRefused, args...)
		for _, want := range []string{"record-missing", "3 sectors", "30 to 31, 260,000", "old.img.record", "--accept record-missing"} {
			if !strings.Contains(strings.Join(strings.Fields(said), " "), want) {
				t.Errorf("%v does not say %q:\n%s", args, want, said)
			}
		}
	}
	// What is accepted of a source that is shown to others goes on: to a socket that cannot be here.
	_, shown := y.run(talk.ExitRefused, "serve", "old.img", "--accept", "record-missing", "--socket",
		"no-such-folder/socket")
	if strings.Contains(shown, "record-missing") || !strings.Contains(shown, "--socket") {
		t.Errorf("serve asks again:\n%s", shown)
	}
	for _, name := range []string{"c.plan", "k.kit"} {
		if _, err := os.Stat(y.path(name)); err == nil {
			t.Errorf("%s was made", name)
		}
	}
	if said, _ := y.run(talk.ExitDone, "survey", "old.img"); !strings.Contains(said, string(disk.RecordMissing)) {
		t.Errorf("the survey does not say it:\n%s", said)
	}
	if said, _ := y.run(talk.ExitRefused, "plan", "old.img", "--size", "614400s", "--json"); !strings.Contains(said, `"code": "record-missing"`) {
		t.Errorf("not said as JSON:\n%s", said)
	}
	accept := []string{"--accept", "record-missing", "--accept", "missing-in-boot-area", "--accept", "missing-in-volume"}
	y.run(talk.ExitDone, append([]string{"plan", "old.img", "--size", "614400s", "-o", "c.plan"}, accept...)...)
	_, said := y.run(talk.ExitRefused, "write", "c.plan", "card.img")
	if !strings.Contains(said, string(disk.RecordMissing)) {
		t.Errorf("written without a question:\n%s", said)
	}
	y.run(talk.ExitIncomplete, "write", "c.plan", "card.img", "--accept", "record-missing")
	card, err := image.Open(y.path("card.img"), 512)
	if err != nil {
		t.Fatal(err)
	}
	defer card.Close()
	filled := errors.New("the fill is on the card")
	err = eachStored(func(start, end int64) error {
		b := make([]byte, end-start)
		if err := image.ReadFull(card, b, start); err != nil || !bytes.Contains(b, []byte("MISSING SECTOR")) {
			return err
		}
		return filled
	}, card)
	if lost, lerr := image.ReadSectors(card, disk.Span{Start: 30, Count: 2}); err != nil || lerr != nil || !isZeros(lost) {
		t.Errorf("%v, %v", err, lerr)
	}
	y.run(talk.ExitIncomplete, "verify", "c.plan", "card.img", "--accept", "record-missing")
}

// A plan that was made while the record was there is no way around it.
func TestARecordThatIsLostAfterThePlan(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	y.lost("old.img")
	y.run(talk.ExitDone, "plan", "old.img", "--size", "614400s", "-o", "c.plan")
	y.lost("old.img", 260_000)
	_, said := y.run(talk.ExitRefused, "write", "c.plan", "card.img")
	if _, err := os.Stat(y.path("card.img")); err == nil || !strings.Contains(said, string(disk.RecordMissing)) {
		t.Errorf("%v\n%s", err, said)
	}
}

// What was cut out of a capture has the fill in other places.
func TestAPartOfACapture(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	y.lost("old.img", 260_000)
	whole, err := image.Open(y.path("old.img"), 512)
	if err != nil {
		t.Fatal(err)
	}
	defer whole.Close()
	if err := saveSparse(image.NewWindow(whole, disk.Between(63, image.Sectors(whole))), y.path("part.img")); err != nil {
		t.Fatal(err)
	}
	_, said := y.run(talk.ExitRefused, "plan", "part.img", "--size", "614400s", "-o", "c.plan")
	if !strings.Contains(said, string(disk.FillOfAnother)) || !strings.Contains(said, "259,937") {
		t.Error(said)
	}
	if err := os.Link(y.path("old.img"), y.path("x.img")); err != nil {
		t.Fatal(err)
	}
	y.run(talk.ExitDone, "capture", "part.img", "y.img")
	_, said = y.run(talk.ExitRefused, "survey", "x.img", "--record", "y.img.record")
	if !strings.Contains(said, "do not fit together") {
		t.Error(said)
	}
}

// A file that is something else than the image of a disk is refused with the line
// that unpacks it. The files are made by the tools themselves and by Go's own
// encoders.
func TestAFileThatIsNoImage(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	y.lost("old.img")
	image := picture.NewGray(picture.Rect(0, 0, 64, 64))
	var pack, picture bytes.Buffer
	z := gzip.NewWriter(&pack)
	if _, err := z.Write(make([]byte, 1<<20)); err != nil || z.Close() != nil || jpeg.Encode(&picture, image, nil) != nil {
		t.Fatal(err)
	}
	picture.Write(make([]byte, 4096))
	for name, b := range map[string][]byte{
		"old.img.gz": append(pack.Bytes(), make([]byte, 1024)...), "photo.jpg": picture.Bytes(),
		"old.qcow2": append([]byte("QFI\xfb"), make([]byte, 65536)...), "old.zip": append([]byte("PK\x03\x04"), make([]byte, 65536)...),
		"empty.zip": append([]byte("PK\x05\x06"), make([]byte, 508)...), "take.aif": append([]byte("FORM\x00\x00\x08\x00AIFF"), make([]byte, 2036)...),
		"error.img": []byte("<!DOCTYPE html>" + strings.Repeat("not found ", 1000) + "\n"),
		"old.dmg":   append(append(make([]byte, 8192), "koly"...), make([]byte, 508)...),
	} {
		if err := os.WriteFile(y.path(name), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for name, want := range map[string]string{
		"old.img.gz": "gzip -dk old.img.gz", "photo.jpg": "a JPEG picture", "old.qcow2": "qemu-img convert -O raw old.qcow2", "old.zip": "unzip old.zip",
		"empty.zip": "a ZIP file with nothing in it", "take.aif": "a sound file", "error.img": "a page of a web server",
		"old.dmg": "hdiutil convert old.dmg",
	} {
		for _, args := range [][]string{
			{"survey", name}, {"plan", name, "--size", "614400s", "-o", "c.plan"}, {"files", name}, {"kit", "make", name, "-o", "k.kit"},
		} {
			_, said := y.run(talk.ExitRefused, args...)
			if !strings.Contains(said, want) || !strings.Contains(said, "--accept "+string(disk.NotADiskImage)) {
				t.Errorf("%v:\n%s", args, said)
			}
		}
		y.run(talk.ExitDone, "survey", name, "--accept", string(disk.NotADiskImage))
	}
	if _, err := os.Stat(y.path("c.plan")); err == nil {
		t.Error("there is a plan")
	}
}

// A disk whose first sector begins with such bytes is a disk: its table says so.
func TestADiskThatBeginsLikeAnotherFile(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	for _, f := range input.Foreigners {
		y.lost("old.img")
		img, err := os.OpenFile(y.path("old.img"), os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		at := f.At
		if st, err := img.Stat(); err == nil && at < 0 {
			at += st.Size()
		}
		if _, err := img.WriteAt([]byte(f.Magic), at); err != nil {
			t.Fatal(err)
		}
		img.Close()
		y.run(talk.ExitDone, "survey", "old.img")
	}
}

// What the tools of the formats write is known by its first bytes.
func TestForeignFilesOfTheirTools(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	for _, c := range []struct{ tool, name, line string }{
		{"gzip", "a.gz", "gzip -c a > a.gz"},
		{"xz", "a.xz", "xz -c a > a.xz"},
		{"bzip2", "a.bz2", "bzip2 -c a > a.bz2"},
		{"xz", "a.lzma", "xz --format=lzma -c a > a.lzma"},
		{"tar", "a.tar", "tar --format=ustar -cf a.tar a"},
		{"python3", "a.zip", "python3 -m zipfile -c a.zip a"},
	} {
		t.Run(c.name, func(t *testing.T) {
			need.Tool(t, "sh")
			need.Tool(t, c.tool)
			if err := os.WriteFile(y.path("a"), bytes.Repeat([]byte("nothing\n"), 1<<14), 0o600); err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command("sh", "-c", c.line)
			cmd.Dir = y.dir
			if out, err := cmd.CombinedOutput(); err != nil {
				t.Fatalf("%v: %s", err, out)
			}
			(&typed{t, y.self, y.dir}).run(talk.ExitRefused, "survey", c.name)
		})
	}
}
