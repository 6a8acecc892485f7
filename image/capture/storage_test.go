package capture

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// folderNow returns the content of every file of a folder.
func folderNow(t *testing.T, dir string) map[string]string {
	t.Helper()
	list, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, e := range list {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = string(b)
	}
	return out
}

func sameFolder(a, b map[string]string) bool {
	if len(a) != len(b) {
		return false
	}
	for name, text := range a {
		if b[name] != text {
			return false
		}
	}
	return true
}

// late is a storage in which another run makes the record at the very moment at
// which this one has not found it.
type late struct {
	Disk
	taken string
}

func (l late) Create(name string) (File, error) {
	if name == l.taken {
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			return nil, err
		}
	}
	return l.Disk.Create(name)
}

func TestARunThatBeginsAtTheSameMomentIsRefused(t *testing.T) {
	dir := t.TempDir()
	tg := Target{Image: filepath.Join(dir, "image")}
	tg.Storage = late{Disk{Dir: dir}, tg.record()}
	d := newSim(100)
	var use *InUseError
	if _, err := Run(context.Background(), d, tg, Options{Time: d.simTime}, nil, nil); !errors.As(err, &use) || d.reads > 0 {
		t.Errorf("%v, after %d reads", err, d.reads)
	}
	if now := folderNow(t, dir); len(now) != 1 {
		t.Errorf("the record of the other run shall be all that is there: %q", now)
	}
}

// From before the first read of the record until the end nobody else gets the
// pair: neither a second capture nor a merge, from the first read on to the
// last, and nothing changes for having asked.
func TestASecondCaptureIntoOneImageIsRefused(t *testing.T) {
	a, _ := captureFiles(t, newSim(3000), Options{Looks: 1})
	src := openCapture(t, a)
	dir := t.TempDir()
	tg := Target{Storage: Disk{Dir: dir}, Image: filepath.Join(dir, "image")}
	d := newSim(9000, disk.Span{Start: 5000, Count: 2})
	asked := 0
	d.onRead = func(disk.Span, bool) {
		asked++
		other := newSim(9000)
		var use *InUseError
		if _, err := Run(context.Background(), other, tg, Options{Time: other.simTime}, nil, nil); !errors.As(err, &use) {
			t.Errorf("read %d: the second capture ends with %v", asked, err)
		}
		if _, err := Merge(context.Background(), src, src, tg, MergeOptions{Time: other.simTime}); !errors.As(err, &use) {
			t.Errorf("read %d: the merge ends with %v", asked, err)
		}
		if n := len(folderNow(t, dir)); other.reads > 0 || n != 2 {
			t.Errorf("read %d: a run that was refused has read, or there are %d files", asked, n)
		}
	}
	if r, err := Run(context.Background(), d, tg, Options{Looks: 1, Time: d.simTime}, nil, nil); err != nil || r.Missing.Sectors() != 2 {
		t.Fatalf("%v, %+v", err, r)
	}
	d.onRead = nil
	verifyClean(t, tg.Image, openCapture(t, tg.Image))
	if _, err := Run(context.Background(), d, tg, Options{Looks: 1, Time: d.simTime}, nil, nil); err != nil {
		t.Errorf("when the first run has ended: %v", err)
	}
	if asked == 0 {
		t.Error("nothing was asked")
	}
}

// Only the beginning of our own opening, which a run that was cut off leaves, is
// replaced: whatever else bears the name of the record stays as it is.
func TestAnotherFileThatBearsTheNameOfTheRecordStays(t *testing.T) {
	whole := recordOf()
	words := len(new(record.Appender).Words())
	texts := map[string][]byte{
		"a note": []byte("precious\n"), "one letter": []byte("p"), "digits": []byte("0123456"),
		"zeros": make([]byte, 512), "many lines": bytes.Repeat([]byte("precious\n"), 10_000),
		"our opening and something else": append(bytes.Clone(whole[:words]), "precious\n"...),
		"our opening and a torn note":    append(bytes.Clone(whole[:words]), "12345678 precious"...),
		"a word changed":                 bytes.Replace(whole[:words], []byte("image"), []byte("imago"), 1),
	}
	for name, text := range texts {
		dir := t.TempDir()
		tg := Target{Storage: Disk{Dir: dir}, Image: filepath.Join(dir, "image")}
		if err := os.WriteFile(tg.record(), text, 0o600); err != nil {
			t.Fatal(err)
		}
		was := folderNow(t, dir)
		d := newSim(20_000)
		var te *TargetError
		_, err := Run(context.Background(), d, tg, Options{Time: d.simTime}, nil, nil)
		if !errors.As(err, &te) || !bytes.Contains([]byte(err.Error()), []byte(tg.record())) {
			t.Errorf("%s: %v", name, err)
		}
		if d.reads > 0 || !sameFolder(was, folderNow(t, dir)) {
			t.Errorf("%s: something was read or changed", name)
		}
	}
	for cut := range len(whole) + 1 {
		m := newMemory()
		m.files["image.record"] = &memFile{m: m, now: bytes.Clone(whole[:cut])}
		d := newSim(example.Sectors)
		d.id = example.Identity
		tg := Target{Storage: m, Image: "image"}
		if cut%97 != 0 && cut < words { // the words are compared as they are; a few will do
			continue
		}
		if r, err := Run(context.Background(), d, tg, Options{Looks: 1, OnlyBoot: true, Time: d.simTime}, Ends{Head: 1 << 20, Tail: -1}, nil); err != nil || r.Read == 0 {
			t.Fatalf("an opening cut at byte %d: %v", cut, err)
		}
	}
}

func readFile(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func writeFile(t *testing.T, name string, b []byte) {
	t.Helper()
	if err := os.WriteFile(name, b, 0o600); err != nil {
		t.Fatal(err)
	}
}
