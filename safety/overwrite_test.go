package safety

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/packed"
)

// What lies there: the first bytes of each kind, filled up to whole sectors, so
// that size alone decides nothing.
func kindSamples(t *testing.T) map[FileKind][]byte {
	sectors := func(head string) []byte { return append([]byte(head), make([]byte, 1024-len(head))...) }
	zip := "PK\x03\x04" + strings.Repeat("\x00", 22) + "\x0d\x00\x00\x00" + "manifest.json" + "{\n \"kind\": \"bootgraft kit\""
	return map[FileKind][]byte{
		EmptyFile:   nil,
		ImageFile:   sectors("\xEB\x3C\x90"),
		RecordFile:  []byte(recordHead(t)),
		ReceiptFile: sectors(`{"format":"bootgraft receipt","version":1,`),
		PlanFile:    sectors("{\n\"schema\": 1,\n\"target\": {\"sectors\":"),
		RuleFile:    sectors("{\n \"schema\": 1,\n \"kind\": \"boot area rules\","),
		KitFile:     sectors(zip),
		OtherFile:   []byte("precious"),
	}
}

// recordHead is the first line of a record. Its checksum is not looked at here:
// the text alone is enough.
func recordHead(*testing.T) string { return "00000000 # bootgraft capture record\n" }

// Every kind in the place of every kind: one table, and nothing changes where
// the answer is no.
func TestReplacesOwnKindOnly(t *testing.T) {
	codes := map[FileKind]disk.Code{RecordFile: disk.TargetIsRecord, ReceiptFile: disk.TargetIsReceipt, KitFile: disk.TargetIsKit,
		CaptureFile: disk.TargetIsCapture, SourceFile: disk.TargetIsSource}
	coming := []FileKind{ImageFile, PlanFile, RuleFile, KitFile, TraceFile, ReceiptFile, RecordFile, CaptureFile,
		ReportFile, OtherFile}
	for there, content := range kindSamples(t) {
		for _, comes := range coming {
			path := filepath.Join(t.TempDir(), "x")
			put(t, path, content)
			err := Output{Path: path, Kind: comes, Replace: true}.Write(func(w io.Writer) error {
				_, err := w.Write([]byte("new"))
				return err
			})
			if there == EmptyFile || there == comes && (comes == ImageFile || comes == PlanFile || comes == RuleFile) {
				if err != nil {
					t.Errorf("%s in the place of %s: %v", comes, there, err)
				}
				holds(t, path, []byte("new"))
				continue
			}
			want := codes[there]
			if want == "" {
				want = disk.TargetOtherKind
			}
			var r *Refusal
			if !errors.As(err, &r) || r.Code != want {
				t.Errorf("%s in the place of %s: %v, want %s", comes, there, err, want)
			}
			holds(t, path, content)
			only(t, filepath.Dir(path), "x")
		}
	}
}

// A capture is known by its record, wherever that lies in its folder and
// whatever its name, and by the fill where it is lost.
func TestCapturesAreOverwrittenByNothing(t *testing.T) {
	img := patterned(7, 16)
	for name, prepare := range map[string]func(dir, path string){
		"record beside it":       func(_, path string) { put(t, path+record.Suffix, []byte(recordHead(t))) },
		"record torn":            func(_, path string) { put(t, path+record.Suffix, []byte("3")) },
		"record empty":           func(_, path string) { put(t, path+record.Suffix, nil) },
		"record of another name": func(dir, _ string) { put(t, filepath.Join(dir, "r.txt"), []byte(recordHead(t))) },
		"a link under the name of its record": func(dir, path string) {
			do(t, os.Link(path, filepath.Join(dir, "real.img")))
			put(t, filepath.Join(dir, "real.img.record"), []byte(recordHead(t)))
		},
		"record lost, 512":  func(_, path string) { put(t, path, withFill(img, 512)) },
		"record lost, 4096": func(_, path string) { put(t, path, withFill(img, 4096)) },
	} {
		dir := t.TempDir()
		path := filepath.Join(dir, "card.img")
		put(t, path, img)
		prepare(dir, path)
		before, err := os.ReadFile(path)
		do(t, err)
		for _, replace := range []bool{true, false} {
			for _, kind := range []FileKind{ImageFile, PlanFile, KitFile} {
				if strings.HasPrefix(name, "record lost") && kind != ImageFile {
					continue
				}
				var r *Refusal
				err := Output{Path: path, Kind: kind, Replace: replace}.Check()
				if !errors.As(err, &r) || r.Code != disk.TargetIsCapture || strings.Contains(r.Do, "--replace") {
					t.Errorf("%s, %s: %v", name, kind, err)
				}
			}
		}
		holds(t, path, before)
	}
}

// A packed capture may have a size of whole sectors by chance. It is known as one all the
// same, by the record that lies beside it; without that it is at least no image that could
// be made again.
func TestAPackedCaptureIsOverwrittenByNothing(t *testing.T) {
	packedOf := func(extra int) []byte {
		var out bytes.Buffer
		w, err := packed.NewWriter(&out)
		do(t, err)
		_, err = w.Write(append(patterned(7, 16), patterned(8, 2)[:extra]...))
		do(t, err)
		do(t, w.Close())
		return out.Bytes()
	}
	img := packedOf(0)
	if img = packedOf((512 - len(img)%512) % 512); len(img)%512 != 0 {
		t.Fatalf("%d bytes are not whole sectors", len(img))
	}
	path := filepath.Join(t.TempDir(), "old.img"+packed.Suffix)
	put(t, path, img)
	for _, want := range []disk.Code{disk.TargetOtherKind, disk.TargetIsCapture} {
		var r *Refusal
		err := Output{Path: path, Kind: ImageFile, Replace: true}.Check()
		if !errors.As(err, &r) || r.Code != want {
			t.Errorf("want %s, got %v", want, err)
		}
		of := record.Drive{Sectors: 18, SectorSize: 512, MissingAs: record.FillZero}
		put(t, strings.TrimSuffix(path, packed.Suffix)+record.Suffix, record.Opening(&record.Appender{}, of))
	}
}

// withFill is an image in which the drive failed in the last sector but one.
func withFill(img []byte, size int) []byte {
	out := bytes.Clone(img)
	at := len(out) - 2*size
	line := fmt.Sprintf("%-63s\n", fmt.Sprintf("MISSING SECTOR %019d bootgraft: see the .record", at/size))
	copy(out[at:at+size], strings.Repeat(line, size/len(line)))
	return out
}

// The source of a plan in the same folder is known, also if the plan is damaged
// behind its beginning.
func TestSourceOfAPlanBesideIsKept(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "old.img")
	put(t, path, patterned(1, 8))
	head := fmt.Sprintf("{\n\"schema\": 1,\n\"target\": {\"sectors\":8,\"sector_size\":512},\n\"source\": {\"sectors\":8,\"sector_size\":512,\"path\":%q,\"digest\":\"", "old.img")
	put(t, filepath.Join(dir, "card.plan"), []byte(head+"torn"))
	var r *Refusal
	err := Output{Path: path, Kind: ImageFile, Replace: true}.Check()
	if !errors.As(err, &r) || r.Code != disk.TargetIsSource || !strings.Contains(r.Why, "card.plan") {
		t.Errorf("got %v", err)
	}
	put(t, filepath.Join(dir, "card.plan"), []byte(strings.Replace(head, "old.img", "other.img", 1)))
	if err := (Output{Path: path, Kind: ImageFile, Replace: true}).Check(); err != nil {
		t.Errorf("no plan names it: %v", err)
	}
}
