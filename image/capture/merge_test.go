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

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

func mergeInto(t *testing.T, a, b string, o MergeOptions) (string, *Merged) {
	t.Helper()
	dir := t.TempDir()
	out := filepath.Join(dir, "merged")
	m, err := Merge(context.Background(), openCapture(t, a), openCapture(t, b), Target{Storage: Disk{Dir: dir}, Image: out}, o)
	if err != nil {
		t.Fatal(err)
	}
	return out, m
}

func TestMergeOfTwoCapturesOfOneDrive(t *testing.T) {
	both := disk.Span{Start: 500, Count: 1}
	a, _ := captureFiles(t, newSim(20_000, both, disk.Span{Start: 100, Count: 10}), Options{Looks: 1})
	flaky := newSim(20_000, both, disk.Span{Start: 15_000, Count: 300})
	flaky.flaky[18_000] = true
	b, _ := captureFiles(t, flaky, Options{Looks: 1}) // its one answer for 18,000 is the wrong one
	out, m := mergeInto(t, a, b, MergeOptions{})
	if !slices.Equal(m.Missing, disk.Spans{both}) || m.FromB != 10 || m.FromA != 20_000-11 || len(m.Unread) > 0 {
		t.Errorf("missing %v, %d from a, %d from b, unread %v", m.Missing, m.FromA, m.FromB, m.Unread)
	}
	if want := (disk.Spans{{Start: 18_000, Count: 1}}); !slices.Equal(m.Contradictions, want) || len(m.Findings) != 1 || m.Findings[0].Code != "captures-contradict" {
		t.Errorf("contradictions %v, findings %v", m.Contradictions, m.Findings)
	}
	src := openCapture(t, out)
	if told := src.Record().Told; len(told) != 1 || told[0].Code != disk.CapturesContradict {
		t.Errorf("whoever looks at the image is told %v", told)
	}
	if got := src.Record().Origins(2); !slices.Equal(got, disk.Spans{{Start: 100, Count: 10}}) {
		t.Errorf("from b: %v", got)
	}
	checkAgainst(t, src, newSim(20_000))
	verifyClean(t, out, src)
}

// A merge that fails on the way, as one that is interrupted, leaves no capture behind: half
// of it would pass for one of which the drive gave no more, and the same command would refuse
// to begin again.
func TestAMergeThatFailsLeavesNothing(t *testing.T) {
	a, _ := captureFiles(t, newSim(20_000, disk.Span{Start: 100, Count: 10}), Options{Looks: 1})
	dir := t.TempDir()
	to := Target{Storage: Disk{Dir: dir}, Image: filepath.Join(dir, "merged")}
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, err := Merge(ctx, openCapture(t, a), openCapture(t, a), to, MergeOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("there is %v, %v", left, err)
	}
	if _, err := Merge(context.Background(), openCapture(t, a), openCapture(t, a), to, MergeOptions{}); err != nil {
		t.Errorf("the same once more: %v", err)
	}
}

// checkAgainst compares every known sector with the drive.
func checkAgainst(t *testing.T, src *record.Source, d *simDrive) {
	t.Helper()
	want := make([]byte, d.sectorSize)
	for _, s := range disk.Spans(src.Unknown(image.Whole(src))).Outside(image.Whole(src)) {
		for x := s.Start; x < s.End(); x++ {
			d.content(want, x)
			got, err := image.ReadSectors(src, disk.Span{Start: x, Count: 1})
			if err != nil || !bytes.Equal(got, want) {
				t.Fatalf("sector %d: %v", x, err)
			}
		}
	}
}

func TestMergeTakesTheBootAreaAloneFromAnotherDrive(t *testing.T) {
	a, _ := captureFiles(t, newSim(20_000, disk.Span{Start: 10, Count: 5}, disk.Span{Start: 9000, Count: 5}), Options{Looks: 1})
	other := newSim(20_000)
	other.seed = 77
	b, _ := captureFiles(t, other, Options{Looks: 1})
	out, m := mergeInto(t, a, b, MergeOptions{OtherDrive: disk.Spans{{Start: 0, Count: 63}}})
	if m.FromB != 5 || !slices.Equal(m.Missing, disk.Spans{{Start: 9000, Count: 5}}) || m.Findings[0].Code != "from-another-drive" {
		t.Errorf("%d from the other drive, missing %v, findings %v", m.FromB, m.Missing, m.Findings)
	}
	src := openCapture(t, out)
	want := make([]byte, 512)
	other.content(want, 12)
	if got, err := image.ReadSectors(src, disk.Span{Start: 12, Count: 1}); err != nil || !bytes.Equal(got, want) {
		t.Errorf("sector 12 is not that of the other drive: %v", err)
	}
}

func TestMergeRefuses(t *testing.T) {
	a, _ := captureFiles(t, newSim(20_000), Options{Looks: 1})
	b, _ := captureFiles(t, newSim(20_001), Options{Looks: 1})
	dir := t.TempDir()
	tg := Target{Storage: Disk{Dir: dir}, Image: filepath.Join(dir, "merged")}
	if _, err := Merge(context.Background(), openCapture(t, a), openCapture(t, b), tg, MergeOptions{}); err == nil {
		t.Error("drives of two sizes are merged")
	}
	second := newSim(20_000)
	second.seed = 77
	c, _ := captureFiles(t, second, Options{Looks: 1})
	var two *TwoDrivesError
	if _, err := Merge(context.Background(), openCapture(t, a), openCapture(t, c), tg, MergeOptions{}); !errors.As(err, &two) {
		t.Errorf("the files of another unit fill the holes of one: %v", err)
	}
	if _, err := os.Stat(tg.Image); err == nil {
		t.Error("an image was made of two drives")
	}
	tg.Image = a
	before, _ := os.ReadFile(a + record.Suffix)
	if _, err := Merge(context.Background(), openCapture(t, a), openCapture(t, a), tg, MergeOptions{}); err == nil {
		t.Error("a merge overwrites one of its captures")
	}
	if after, err := os.ReadFile(a + record.Suffix); err != nil || !bytes.Equal(before, after) {
		t.Error("the record has changed", err)
	}
}

// mergeOther merges into a capture what another unit of the model has of some sectors.
func mergeOther(t *testing.T, a string, of disk.Spans) string {
	t.Helper()
	other := newSim(20_000)
	other.seed = 77
	b, _ := captureFiles(t, other, Options{Looks: 1})
	out, _ := mergeInto(t, a, b, MergeOptions{OtherDrive: of, Names: []record.Mark{{Sector: 10, Count: 4, What: "disk id"}}})
	return out
}

// What the own drive gave later is worth more than what another unit lent, on whichever
// side of the merge it stands.
func TestTheOwnDriveIsTakenBeforeWhatAnotherUnitGave(t *testing.T) {
	lost := disk.Span{Start: 10, Count: 5}
	a, _ := captureFiles(t, newSim(20_000, lost), Options{Looks: 1})
	lent := mergeOther(t, a, disk.Spans{{Start: 0, Count: 63}})
	later, _ := captureFiles(t, newSim(20_000, disk.Span{Start: 12, Count: 1}), Options{Looks: 1})
	for _, order := range [][2]string{{lent, later}, {later, lent}} {
		out, m := mergeInto(t, order[0], order[1], MergeOptions{})
		if len(m.Contradictions) > 0 {
			t.Errorf("what two drives have is called a contradiction of one: %v", m.Contradictions)
		}
		src := openCapture(t, out)
		if got := src.Record().OfOtherUnits(); !slices.Equal(got, disk.Spans{{Start: 12, Count: 1}}) {
			t.Errorf("%v: of another unit are %v", order, got)
		}
		want := make([]byte, 512)
		for x := lost.Start; x < lost.End(); x++ {
			from := newSim(20_000)
			if x == 12 {
				from.seed = 77
			}
			from.content(want, x)
			if got, err := image.ReadSectors(src, disk.Span{Start: x, Count: 1}); err != nil || !bytes.Equal(got, want) {
				t.Errorf("%v: sector %d is not that of the right drive: %v", order, x, err)
			}
		}
		if f := src.Record().UnitFinding(); f == nil || strings.Contains(f.Text, "disk id") {
			t.Errorf("a name is told of a sector that is not the other unit's: %v", f)
		}
		verifyClean(t, out, src)
	}
}

// A run that goes on takes no loan for an answer of the drive: the drive is neither blamed for
// the difference nor taken for another one, and where it gives the sector on a retry, that counts.
func TestARunGoesOnOverWhatAnotherUnitGave(t *testing.T) {
	a, _ := captureFiles(t, newSim(20_000, disk.Span{Start: 10, Count: 5}), Options{Looks: 1})
	out := mergeOther(t, a, disk.Spans{{Start: 0, Count: 63}})
	drive := newSim(20_000, disk.Span{Start: 12, Count: 1})
	for retry := range 2 {
		r, err := Run(context.Background(), drive, Target{Storage: Disk{Dir: filepath.Dir(out)}, Image: out},
			Options{Time: drive.simTime, Looks: 3, Retry: retry}, layoutAdvisor{[]Wish{{disk.Span{Count: 63}, Boot}}}, nil)
		if err != nil || r.Stop != Done || len(r.Unstable) > 0 {
			t.Fatalf("%v, %+v", err, r)
		}
		if retry == 0 && drive.touched[12] > 0 {
			t.Errorf("sector 12 was asked again unasked")
		}
	}
	src := openCapture(t, out)
	if got := src.Record().OfOtherUnits(); !slices.Equal(got, disk.Spans{{Start: 12, Count: 1}}) {
		t.Errorf("of another unit are %v", got)
	}
	want := make([]byte, 512)
	for _, x := range []disk.Sector{10, 11, 13, 14} {
		drive.content(want, x)
		if got, err := image.ReadSectors(src, disk.Span{Start: x, Count: 1}); err != nil || !bytes.Equal(got, want) {
			t.Errorf("sector %d is not that of the drive: %v", x, err)
		}
	}
	verifyClean(t, out, src)
}

// What a capture says beside its sectors must not get lost in a merge: where the drive
// hung, what was left out as asked, and what was found of the bridge.
func TestAMergeKeepsWhatWasSaidOfTheDrive(t *testing.T) {
	hung := disk.Span{Start: 9000, Count: 2}
	a, _ := captureFiles(t, newSim(20_000), Options{Looks: 1, Skip: disk.Spans{{Start: 500, Count: 3}, hung}})
	addLines(t, a, record.Line{Verb: record.VerbHung, Span: hung},
		record.Told(disk.Warningf(disk.HiddenArea, disk.NoSector, "it hides sectors")))
	other, _ := captureFiles(t, newSim(20_000), Options{Looks: 1})
	_, m := mergeInto(t, a, other, MergeOptions{OtherDrive: disk.Spans{{Start: 0, Count: 63}}})
	if !slices.Equal(m.Hung, disk.Spans{hung}) || !slices.Equal(m.Skipped, disk.Spans{{Start: 500, Count: 3}}) {
		t.Errorf("hung %v, skipped %v", m.Hung, m.Skipped)
	}
	for _, order := range [][2]string{{a, other}, {other, a}} {
		out, _ := mergeInto(t, order[0], order[1], MergeOptions{})
		if got := openCapture(t, out).Record().Told; len(got) != 1 || got[0].Code != disk.HiddenArea {
			t.Errorf("%v: told is %v", order, got)
		}
	}
}

// addLines adds lines to a record that is closed.
func addLines(t *testing.T, img string, lines ...record.Line) {
	t.Helper()
	f, err := os.OpenFile(img+record.Suffix, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rec, err := record.Read(f)
	if err != nil {
		t.Fatal(err)
	}
	app, at := rec.End, rec.End.Off
	for i := range lines {
		b := app.Line(&lines[i])
		if _, err := f.WriteAt(b, at); err != nil {
			t.Fatal(err)
		}
		at += int64(len(b))
	}
}

// A damaged record still says what was found of the bridge, and what another unit lent; so does
// the one that is put together anew from it.
func TestADamagedRecordKeepsWhatIsSaidBesideSectors(t *testing.T) {
	lost := disk.Span{Start: 10, Count: 5}
	a, _ := captureFiles(t, newSim(20_000, lost), Options{Looks: 1})
	img := mergeOther(t, a, disk.Spans{{Start: 0, Count: 63}})
	addLines(t, img, record.Told(disk.Warningf(disk.HiddenArea, disk.NoSector, "it hides sectors")), record.ToldAll())
	b, err := os.ReadFile(img + record.Suffix)
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.SplitAfter(b, []byte("\n"))
	i := slices.IndexFunc(lines, func(l []byte) bool { return bytes.Contains(l, []byte(" good 2048+")) })
	copy(lines[i][9:], "xxxxxx") // more than one wrong byte: its checksum does not give it back
	if err := os.WriteFile(img+record.Suffix, bytes.Join(lines, nil), 0o644); err != nil {
		t.Fatal(err)
	}
	check := func(damaged bool) {
		t.Helper()
		src := openCapture(t, img)
		if rec := src.Record(); (rec.Damage != nil) != damaged || len(rec.Told) != 1 || !rec.BridgeChecked {
			t.Errorf("damage %v, told %v, checked %v", rec.Damage, rec.Told, rec.BridgeChecked)
		}
		if f := src.Record().UnitFinding(); f == nil || !strings.Contains(f.Text, "disk id") ||
			!slices.Equal(src.Record().OfOtherUnits(), disk.Spans{lost}) {
			t.Errorf("of another unit: %v", f)
		}
	}
	check(true)
	drive := newSim(20_000, lost)
	if _, err := Run(context.Background(), drive, Target{Storage: Disk{Dir: filepath.Dir(img)}, Image: img},
		Options{Time: drive.simTime, Looks: 1}, nil, nil); err != nil {
		t.Fatal(err)
	}
	check(false)
}
