package capture

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"bootgraft/image"
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
	if got := src.Record().Origins(2); !slices.Equal(got, disk.Spans{{Start: 100, Count: 10}}) {
		t.Errorf("from b: %v", got)
	}
	checkAgainst(t, src, newSim(20_000))
	verifyClean(t, out, src)
}

// checkAgainst compares every known sector with the drive.
func checkAgainst(t *testing.T, src *Source, d *simDrive) {
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
	tg.Image = a
	before, _ := os.ReadFile(a + RecordSuffix)
	if _, err := Merge(context.Background(), openCapture(t, a), openCapture(t, a), tg, MergeOptions{}); err == nil {
		t.Error("a merge overwrites one of its captures")
	}
	if after, err := os.ReadFile(a + RecordSuffix); err != nil || !bytes.Equal(before, after) {
		t.Error("the record has changed", err)
	}
}
