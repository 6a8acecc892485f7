package capture

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// captureFiles makes a capture of a simulated drive in real files.
func captureFiles(t *testing.T, d *simDrive, o Options) (img string, r *Result) {
	t.Helper()
	dir := t.TempDir()
	img = filepath.Join(dir, "image")
	o.Time = d.simTime
	r, err := Run(context.Background(), d, Target{Storage: Disk{Dir: dir}, Image: img}, o, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	return img, r
}

func openCapture(t *testing.T, img string) *record.Source {
	t.Helper()
	src, err := record.Open(img, "")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { src.Close() })
	return src
}

// The first answer of a flaky sector is the wrong one: the other two agree.
func TestASectorThatAnswersDifferentlyIsUnstable(t *testing.T) {
	d := newSim(20_000, disk.Span{Start: 300, Count: 1})
	d.flaky[100], d.flaky[2500] = true, true
	img, r := captureFiles(t, d, Options{})
	if want := disk.NewSpans(disk.Span{Start: 100, Count: 1}, disk.Span{Start: 2500, Count: 1}); !slices.Equal(r.Unstable, want) {
		t.Fatalf("unstable %v, want %v", r.Unstable, want)
	}
	if len(r.Findings) == 0 || r.Findings[0].Code != "unstable-sectors" {
		t.Errorf("findings %v", r.Findings)
	}
	src := openCapture(t, img)
	want := make([]byte, 512)
	for _, x := range []disk.Sector{100, 2500} {
		d.content(want, x)
		got, err := image.ReadSectors(src, disk.Span{Start: x, Count: 1})
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("sector %d is not the answer that came twice: %v", x, err)
		}
		v := src.Record().Variants(x)
		if len(v) != 2 || v[0].Times != 2 || v[1].Times != 1 || !bytes.Equal(v[0].Data, want) || bytes.Equal(v[1].Data, want) {
			t.Errorf("sector %d has the answers %v", x, v)
		}
	}
	verifyClean(t, img, src)
}

func verifyClean(t *testing.T, img string, src *record.Source) {
	t.Helper()
	rec, err := os.Open(img + record.Suffix)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	c, err := Verify(context.Background(), src.Record(), src.File())
	if err != nil || len(c.Damaged)+len(c.Unchecked) > 0 {
		t.Fatalf("damaged %v, not checked %v, %v", c.Damaged, c.Unchecked, err)
	}
	if c.Promised != nil && *c.Promised != c.SHA256 {
		t.Errorf("the image has %v, the record promises %v", c.SHA256, c.Promised)
	}
}

func TestBootAreasAreReadThreeTimesSpreadOverTheRun(t *testing.T) {
	d := newSim(200_000)
	var when []time.Duration
	t0 := d.Now()
	d.onRead = func(s disk.Span, _ bool) {
		if s.Holds(1000) {
			when = append(when, d.Now().Sub(t0))
		}
	}
	m := newMemory()
	tg := target
	tg.Storage = m
	_, err := Run(context.Background(), d, tg, Options{Time: d.simTime}, Ends{Head: 1 << 20, Tail: 1 << 20}, nil)
	if err != nil {
		t.Fatal(err)
	}
	end := d.Now().Sub(t0)
	if len(when) != 3 || when[0] > end/10 || when[1] < end/4 || when[1] > end*3/4 || when[2] < end*9/10 {
		t.Errorf("sector 1000 was read at %v of %v", when, end)
	}
}

func TestVerifyNamesTheDamagedSpan(t *testing.T) {
	img, _ := captureFiles(t, newSim(20_000, disk.Span{Start: 7000, Count: 3}), Options{Hash: true})
	verifyClean(t, img, openCapture(t, img))
	f, err := os.OpenFile(img, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte{1, 2, 3}, 9000*512+77); err != nil {
		t.Fatal(err)
	}
	f.Close()
	file, err := image.Open(img, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rec, err := os.Open(img + record.Suffix)
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	says, err := record.Read(rec)
	if err != nil {
		t.Fatal(err)
	}
	c, err := Verify(context.Background(), says, file)
	if err != nil || len(c.Damaged) != 1 || !c.Damaged.Holds(9000) || c.Damaged.Sectors() > 2048 || *c.Promised == c.SHA256 {
		t.Errorf("%+v, %v", c, err)
	}
}

// TestAChangedImageOfADeadDriveIsUsed: what is no longer as it was read is not known, all
// else is, and it is told.
func TestAChangedImageOfADeadDriveIsUsed(t *testing.T) {
	path, _ := captureFiles(t, newSim(20_000, disk.Span{Start: 7000, Count: 3}), Options{Looks: 1})
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	changed := bytes.Clone(before)
	changed[5*512+17] ^= 0x40
	if err := os.WriteFile(path, changed, 0o600); err != nil {
		t.Fatal(err)
	}
	src := openCapture(t, path)
	lost := image.Unknown(src, disk.Span{Count: 20_000})
	if !lost.Holds(5) || !lost.Holds(7000) || lost.Sectors() > 2048+3 {
		t.Errorf("not known are %v", lost)
	}
	for _, s := range lost.Outside(disk.Span{Count: 20_000}) {
		b, err := image.ReadSectors(src, s)
		if err != nil || !bytes.Equal(b, before[s.Start*512:s.End()*512]) {
			t.Errorf("sectors %s are not as they were read: %v", s, err)
		}
	}
	if !slices.ContainsFunc(src.Told(), func(f disk.Finding) bool { return f.Code == disk.ImageChanged }) {
		t.Errorf("told is %v", src.Told())
	}
}

func TestFilesThatDoNotFitAreRefused(t *testing.T) {
	a, _ := captureFiles(t, newSim(20_000), Options{})
	other := newSim(20_000)
	other.seed = 2
	b, _ := captureFiles(t, other, Options{})
	larger, _ := captureFiles(t, newSim(20_001), Options{})
	for name, p := range map[string][2]string{"another drive": {a, b}, "another size": {larger, a}} {
		_, err := record.Open(p[0], p[1]+record.Suffix)
		var mm *record.MismatchError
		if !errors.As(err, &mm) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := record.Open(a, filepath.Join(t.TempDir(), "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no record: %v", err)
	}
}

func TestOpenKeepsTheStatesApart(t *testing.T) {
	d := newSim(400_000, disk.Span{Start: 200, Count: 5})
	img, r := captureFiles(t, d, Options{OnlyBoot: true, Skip: disk.NewSpans(disk.Span{Start: 1000, Count: 10})})
	if r.Stop != Done || r.Read == 0 || len(r.Unread) == 0 {
		t.Fatalf("%+v", r)
	}
	src := openCapture(t, img)
	for x, want := range map[disk.Sector]image.State{203: image.Missing, 1005: image.Skipped, r.Unread[0].Start: image.Unread} {
		var u *image.UnknownError
		if _, err := image.ReadSectors(src, disk.Span{Start: x, Count: 1}); !errors.As(err, &u) || u.State != want {
			t.Errorf("sector %d: %v, want %s", x, err, want)
		}
	}
	if got := src.Unknown(image.Whole(src)).Sectors(); got != 400_000-r.Read {
		t.Errorf("%d sectors are not known, want %d", got, 400_000-r.Read)
	}
	// Unread sectors are holes of the file.
	needHoles(t)
	hole := int64(r.Unread[0].Start+4096) * 512
	if start, _ := src.File().NextData(hole); start < hole+1<<20 {
		t.Errorf("data at byte %d, where nothing was read", start)
	}
}

func TestAnImageWithoutItsRecordShowsWhatIsMissing(t *testing.T) {
	bad := disk.NewSpans(disk.Span{Start: 7000, Count: 3}, disk.Span{Start: 19_999, Count: 1})
	img, _ := captureFiles(t, newSim(20_000, bad...), Options{})
	f, err := image.Open(img, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	got, err := record.FindPattern(context.Background(), f, nil)
	if err != nil || !slices.Equal(got.Own, bad) || len(got.Other) > 0 {
		t.Errorf("found %v, want %v (%v)", got, bad, err)
	}
	cut := image.NewWindow(f, disk.Span{Start: 63, Count: 19_937})
	got, err = record.FindPattern(context.Background(), cut, nil)
	if want := disk.NewSpans(disk.Span{Start: 6937, Count: 3}, disk.Span{Start: 19_936, Count: 1}); err != nil || !slices.Equal(got.Other, want) || len(got.Own) > 0 {
		t.Errorf("cut out of it: found %v, want %v (%v)", got, want, err)
	}
	text, err := os.ReadFile(img)
	if err != nil || !strings.HasPrefix(string(text[7001*512:]), "MISSING SECTOR 0000000000000007001 ") {
		t.Errorf("the fill reads %.64q, %v", text[7001*512:], err)
	}
	zero, _ := captureFiles(t, newSim(20_000, bad...), Options{MissingAs: record.FillZero})
	text, err = os.ReadFile(zero)
	if err != nil || !bytes.Equal(text[7000*512:7003*512], make([]byte, 3*512)) {
		t.Error("the fill is not zero", err)
	}
}

// wrapping is a drive that answers beyond a wall with the data before it.
type wrapping struct {
	*simDrive
	wall int64
}

func (w wrapping) ReadAt(p []byte, off int64) (int, error) { return w.simDrive.ReadAt(p, off%w.wall) }

func TestDataThatRepeatAtAWallAreAFinding(t *testing.T) {
	d := newSim(200_000)
	tg := target
	tg.Storage = newMemory()
	o := Options{Looks: 1, Time: d.simTime}
	wall := disk.Sector(65_536)
	r, err := Run(context.Background(), wrapping{d, int64(wall) * 512}, tg, o, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Findings) != 1 || r.Findings[0].Code != "data-repeats" || r.Findings[0].Sector < wall {
		t.Errorf("findings %v", r.Findings)
	}
	r = runSim(t, newSim(200_000), newMemory(), Options{Looks: 1})
	if len(r.Findings) != 0 {
		t.Errorf("a drive that does not wrap has findings %v", r.Findings)
	}
}
