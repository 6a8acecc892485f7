package blockdev_test

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/capture/record"
	"bootgraft/image/capture/rig"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/safety/blockdev"
)

func TestMain(m *testing.M) {
	rig.Main()
	os.Exit(m.Run())
}

// drive makes a file of invented data, 16 MiB.
func drive(t *testing.T) (path string, content []byte) {
	t.Helper()
	content = make([]byte, 16<<20)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := 0; i < len(content); i += 8 {
		v := rng.Uint64()
		for k := range 8 {
			content[i+k] = byte(v >> (8 * k))
		}
	}
	path = filepath.Join(t.TempDir(), "drive")
	if err := os.WriteFile(path, content, 0o600); err != nil {
		t.Fatal(err)
	}
	return path, content
}

// imageFiles keeps captures in files.
type imageFiles struct{}

type imageFile struct{ *os.File }

func (f imageFile) Size() (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}

func (imageFiles) open(name string, flag int) (capture.File, error) {
	f, err := os.OpenFile(name, os.O_RDWR|flag, 0o600)
	if err != nil {
		return nil, err
	}
	return imageFile{f}, nil
}

func (s imageFiles) Open(name string) (capture.File, error) { return s.open(name, 0) }
func (s imageFiles) Create(name string) (capture.File, error) {
	return s.open(name, os.O_CREATE|os.O_EXCL)
}
func (imageFiles) Replace(name, by string) error { return os.Rename(by, name) }
func (imageFiles) Remove(name string) error      { return os.Remove(name) }
func (imageFiles) Free() int64                   { return -1 }
func (imageFiles) Lacks(error) (room, size bool) { return false, false }

func runRig(t *testing.T, ctx context.Context, r *rig.Rig, img string, o capture.Options, w capture.Observer) *capture.Result {
	t.Helper()
	src, err := blockdev.OpenSource(r.Device)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	res, err := capture.Run(ctx, src, capture.Target{Storage: imageFiles{}, Image: img}, o, nil, w)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// checkCapture reads the capture back: what is known is right, what is missing
// is exactly what is bad, and neither is ever taken for the other.
func checkCapture(t *testing.T, img string, content []byte, bad disk.Spans) {
	t.Helper()
	src, err := record.Open(img, "")
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	if got := src.Record().Missing(); !slices.Equal(got, bad) {
		t.Fatalf("missing %v, want %v", got, bad)
	}
	for _, s := range src.Unknown(image.Whole(src)) {
		if len(bad.Within(s)) == 0 {
			t.Errorf("sectors %s are not known, and not bad", s)
		}
	}
	for _, s := range bad.Outside(image.Whole(src)) {
		got, err := image.ReadSectors(src, s)
		if err != nil || !bytes.Equal(got, content[s.Start*512:s.End()*512]) {
			t.Fatalf("sectors %s are not what the drive has: %v", s, err)
		}
	}
	for _, s := range bad {
		var u *image.UnknownError
		if _, err := image.ReadSectors(src, s); !errors.As(err, &u) || u.State != image.Missing {
			t.Errorf("reading missing sectors %s: %v", s, err)
		}
	}
}

// No write reached the drive, and no bad sector was asked for alone more than
// once. DDA-RM-07, DDA-RM-08, DA-AO-24 (from memory): the place of each error is
// told, the fill is benign, the source is unchanged.
func checkLog(t *testing.T, r *rig.Rig, bad disk.Spans) {
	t.Helper()
	alone := map[disk.Sector]int{}
	covered := map[disk.Sector]int{}
	for _, a := range r.Log() {
		if a.Write {
			t.Fatalf("sectors %s of the drive were written to", a.Span)
		}
		for _, s := range bad.Within(a.Span) {
			for x := s.Start; x < s.End(); x++ {
				covered[x]++
			}
		}
		if a.Count == 1 {
			alone[a.Start]++
		}
	}
	most := 0
	for _, s := range bad {
		for x := s.Start; x < s.End(); x++ {
			most = max(most, covered[x])
			if alone[x] != 1 {
				t.Errorf("sector %d was asked for alone %d times", x, alone[x])
			}
		}
	}
	t.Logf("%d requests; the most that asked for one bad sector: %d", len(r.Log()), most)
	if most > 6 {
		t.Errorf("a bad sector was asked for %d times", most)
	}
}

func TestCaptureOfARealDeviceWithBadSectors(t *testing.T) {
	path, content := drive(t)
	bad := []disk.Span{{Start: 5003, Count: 1}, {Start: 6000, Count: 8}, {Start: 20_000, Count: 300}, {Start: 32_767, Count: 1}}
	r := rig.Start(t, path, rig.Faults{
		Bad:   bad,
		Heals: map[disk.Sector]int{12_345: 2},
		Slow:  map[disk.Sector]time.Duration{15_000: 1200 * time.Millisecond},
	})
	img := filepath.Join(t.TempDir(), "image")
	res := runRig(t, context.Background(), r, img, capture.Options{Looks: 2, Hash: true}, nil)
	if res.Stop != capture.Done || res.Clock.Slow < time.Second {
		t.Errorf("stopped %q, slow %v", res.Stop, res.Clock.Slow)
	}
	checkCapture(t, img, content, disk.NewSpans(bad...))
	checkLog(t, r, disk.NewSpans(bad...))
	now, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(now, content) {
		t.Error("the drive has changed")
	}
	out, err := exec.Command(need.Tool(t, "sha256sum"), img).Output()
	if err != nil || res.SHA256 == nil || !strings.HasPrefix(string(out), res.SHA256.String()) {
		t.Errorf("sha256sum says %.64s, the capture %v (%v)", out, res.SHA256, err)
	}
}

func TestADriveThatVanishesComesBackUnderAnotherName(t *testing.T) {
	path, content := drive(t)
	bad := []disk.Span{{Start: 9000, Count: 20}}
	img := filepath.Join(t.TempDir(), "image")
	first := rig.Start(t, path, rig.Faults{Bad: bad, GoneAfter: 60})
	res := runRig(t, context.Background(), first, img, capture.Options{Looks: 1}, nil)
	if res.Stop != capture.DriveGone || res.Read == 0 {
		t.Fatalf("stopped %q, %d sectors read", res.Stop, res.Read)
	}
	before := res.Read
	second := rig.Start(t, path, rig.Faults{Bad: bad})
	if second.Device == first.Device {
		t.Fatal("the same device")
	}
	res = runRig(t, context.Background(), second, img, capture.Options{Looks: 1}, nil)
	if res.Stop != capture.Done {
		t.Fatalf("stopped %q", res.Stop)
	}
	checkCapture(t, img, content, disk.NewSpans(bad...))
	var asked disk.Sector
	for _, a := range second.Log() {
		asked += a.Count
	}
	t.Logf("%d sectors before, %d asked for after", before, asked)
}

// A sector that never answers: the run says so, the owner pulls the drive, and
// the same call goes on without touching it.
func TestASectorThatHangs(t *testing.T) {
	path, content := drive(t)
	f := rig.Faults{Hangs: []disk.Sector{17_000}}
	img := filepath.Join(t.TempDir(), "image")
	first := rig.Start(t, path, f)
	res := runRig(t, context.Background(), first, img, capture.Options{Looks: 1, HangAfter: time.Second},
		pull{first})
	if res.Stop != capture.DriveGone || !res.Hung.Holds(17_000) {
		t.Fatalf("stopped %q, hung %v", res.Stop, res.Hung)
	}
	second := rig.Start(t, path, f)
	res = runRig(t, context.Background(), second, img, capture.Options{Looks: 1, HangAfter: time.Second}, pull{second})
	if res.Stop != capture.Done || !res.Unread.Holds(17_000) || res.Unread.Sectors() > 2048 {
		t.Fatalf("stopped %q, unread %v", res.Stop, res.Unread)
	}
	for _, a := range second.Log() {
		if a.Holds(17_000) {
			t.Errorf("it was touched again, in %s", a.Span)
		}
	}
	src, err := record.Open(img, "")
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	for _, s := range res.Unread.Outside(image.Whole(src)) {
		got, err := image.ReadSectors(src, s)
		if err != nil || !bytes.Equal(got, content[s.Start*512:s.End()*512]) {
			t.Fatalf("sectors %s are not what the drive has: %v", s, err)
		}
	}
}

// pull takes the drive away when it hangs.
type pull struct{ r *rig.Rig }

func (p pull) Event(e capture.Event) {
	if e.Kind == capture.EventHang {
		p.r.Vanish()
	}
}

func (pull) Progress(capture.Progress) {}

// atRead does something when the drive is read for the n-th time.
type atRead struct {
	*blockdev.Source
	n  int
	do func()
}

func (a *atRead) ReadAt(p []byte, off int64) (int, error) {
	if a.n--; a.n == 0 {
		a.do()
	}
	return a.Source.ReadAt(p, off)
}

// Another drive behind the same name, or one that shrinks, ends the run: nothing
// of it is called good or missing, and the first drive is captured to the end.
func TestADriveThatIsSwappedOrShrinksUnderTheRun(t *testing.T) {
	for name, harm := range map[string]func(*rig.Rig, string) error{
		"swapped": func(_ *rig.Rig, path string) error {
			other := make([]byte, 16<<20)
			for i := range other {
				other[i] = byte(i*i>>7 ^ i>>3)
			}
			return os.WriteFile(path, other, 0o600)
		},
		"shrinks": func(r *rig.Rig, _ string) error {
			r.Shrink(16_384)
			return nil
		},
	} {
		t.Run(name, func(t *testing.T) {
			path, content := drive(t)
			bad := []disk.Span{{Start: 3000, Count: 1}}
			r := rig.Start(t, path, rig.Faults{Bad: bad})
			img := filepath.Join(t.TempDir(), "image")
			src, err := blockdev.OpenSource(r.Device)
			if err != nil {
				t.Fatal(err)
			}
			drive := &atRead{src, 9, func() {
				if err := harm(r, path); err != nil {
					t.Error(err)
				}
			}}
			tg := capture.Target{Storage: imageFiles{}, Image: img}
			res, err := capture.Run(context.Background(), drive, tg, capture.Options{Looks: 1}, nil, nil)
			if err != nil || res.Stop != capture.DriveChanged || len(res.Missing) > 1 || len(res.Unstable) > 0 {
				t.Fatalf("%v, %+v", err, res)
			}
			src.Close()
			if err := os.WriteFile(path, content, 0o600); err != nil {
				t.Fatal(err)
			}
			back := rig.Start(t, path, rig.Faults{Bad: bad})
			if res = runRig(t, context.Background(), back, img, capture.Options{Looks: 1}, nil); res.Stop != capture.Done {
				t.Fatalf("stopped %q", res.Stop)
			}
			checkCapture(t, img, content, disk.NewSpans(bad...))
		})
	}
}
