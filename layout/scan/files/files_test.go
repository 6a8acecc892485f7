package files_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/files"
	"bootgraft/layout/volume/fat"
)

func tool(t testing.TB, name string, args ...string) {
	t.Helper()
	if out, err := exec.Command(need.Tool(t, name), args...).CombinedOutput(); err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
}

// tree makes a folder of files and returns it with their SHA-256, by path.
func tree(t testing.TB) (string, map[string]string) {
	t.Helper()
	dir, sums := t.TempDir(), map[string]string{}
	for i, name := range []string{"INDEX.TXT", "TAKES/SONG1.WAV", "TAKES/Second take of a long evening.wav", "TAKES/DEEP/DOWN/LAST.WAV", "EMPTY.BIN", "NOTES.TXT"} {
		b := disks.Recording([]int{100, 200000, 70001, 512, 0, 513}[i], uint64(i))
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		sums[name] = sum(b)
	}
	return dir, sums
}

func sum(b []byte) string { return fmt.Sprintf("%d %x", len(b), sha256.Sum256(b)) }

// recorder is a disk with a FAT volume that mtools filled and an ext volume
// that mke2fs filled from the same folder. Both entries are longer than their
// volumes.
func recorder(t testing.TB) (*imagetest.Disk, map[string]string) {
	t.Helper()
	dir, sums := tree(t)
	d := imagetest.New(60000, 512)
	disks.MBR(d, disks.Entry{Span: disk.Span{Start: 63, Count: 20000}, Type: 6}, disks.Entry{Span: disk.Span{Start: 20063, Count: 30000}, Type: 0x83})
	made := func(name string, sectors int64, fill func(path string)) []byte {
		path := filepath.Join(t.TempDir(), name)
		if err := errors.Join(os.WriteFile(path, nil, 0o600), os.Truncate(path, sectors*512)); err != nil {
			t.Fatal(err)
		}
		fill(path)
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	d.Put(63, made("fat", 19000, func(path string) {
		tool(t, "mkfs.fat", "-F", "16", "-s", "2", path)
		top, err := filepath.Glob(filepath.Join(dir, "*"))
		if err != nil {
			t.Fatal(err)
		}
		tool(t, "mcopy", append([]string{"-s", "-m", "-i", path}, append(top, "::/")...)...)
	}))
	d.Put(20063, made("ext", 20000, func(path string) { tool(t, "mke2fs", "-q", "-F", "-t", "ext4", "-d", dir, path) }))
	return d, sums
}

// list walks every volume of a source: volume and path to size and hash.
func list(t testing.TB, src image.Source) (map[string]string, []*files.File) {
	t.Helper()
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	out, all := map[string]string{}, []*files.File(nil)
	findings, err := files.Walk(context.Background(), src, s, files.Options{}, func(f *files.File) error {
		all = append(all, f)
		out[fmt.Sprintf("%d:%s", f.Volume, f.Path)] = read(t, src, f)
		return nil
	})
	if err != nil || len(findings) > 0 {
		t.Fatalf("%v, %+v", err, findings)
	}
	return out, all
}

// read returns size and hash of a file, and proves that its extents hold the
// same bytes. A file with missing bytes gives their ranges.
func read(t testing.TB, src image.Source, f *files.File) string {
	t.Helper()
	b, err := io.ReadAll(f.Reader())
	if len(f.Missing) > 0 {
		if err == nil {
			t.Errorf("%s: all of it can be read, but %v are missing", f.Path, f.Missing)
		}
		return fmt.Sprint(f.Missing)
	}
	if err != nil {
		t.Fatalf("%s: %v", f.Path, err)
	}
	raw := make([]byte, f.Size)
	n := int64(src.SectorSize())
	for _, e := range f.Extents {
		if err := image.ReadFull(src, raw[e.Offset:e.Offset+e.Bytes], e.At); err != nil {
			t.Fatal(err)
		}
		if e.At < int64(e.Stored.Start)*n || e.At+e.Bytes > int64(e.Stored.End())*n {
			t.Errorf("%s: bytes %d+%d are not in sectors %s", f.Path, e.At, e.Bytes, e.Stored)
		}
	}
	if !bytes.Equal(raw, b) {
		t.Errorf("%s: the extents %+v hold other bytes than the file", f.Path, f.Extents)
	}
	return sum(b)
}

func twice(sums map[string]string) map[string]string {
	want := map[string]string{}
	for name, s := range sums {
		want["1:"+name], want["2:"+name] = s, s
	}
	return want
}

func compare(t *testing.T, what string, got, want map[string]string) {
	t.Helper()
	for name := range got {
		if strings.HasSuffix(name, "lost+found") {
			delete(got, name)
		}
	}
	if !maps.Equal(got, want) {
		t.Errorf("%s:\n%v\nwant\n%v", what, got, want)
	}
}

// Every file of both volumes is as it was in the folder, on the disk and on
// cards larger and smaller that do not exist yet.
func TestFilesOfTwoVolumesAndPlannedCards(t *testing.T) {
	d, sums := recorder(t)
	got, _ := list(t, d)
	compare(t, "the disk", got, twice(sums))
	s, err := scan.Run(context.Background(), d, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if v := files.Volumes(s); !slices.Equal(v, []int{1, 2}) {
		t.Errorf("volumes %v", v)
	}
	for _, n := range []disk.Sector{40063, 45000, 60000, 90000} {
		p, err := fit.Plan(context.Background(), d, s, fit.Wishes{Target: plan.Size{Sectors: n, SectorSize: 512}})
		if err != nil {
			t.Fatal(err)
		}
		c, err := card.New(p, d)
		if err != nil {
			t.Fatal(err)
		}
		got, _ := list(t, c.Known())
		compare(t, fmt.Sprint(n), got, twice(sums))
	}
}

// Sectors that are not known are missing in exactly the files that lie there,
// byte for byte, and on the planned card as well.
func TestMissingIsExact(t *testing.T) {
	d, sums := recorder(t)
	_, all := list(t, d)
	want := twice(sums)
	var lost []disk.Span
	for _, f := range all {
		if !strings.HasSuffix(f.Path, "SONG1.WAV") {
			continue
		}
		e := f.Extents[len(f.Extents)-1]
		tail := e.Bytes % 512 // the last sector is not full
		lost = append(lost, disk.Span{Start: e.Stored.Start + 2, Count: 3}, disk.Span{Start: e.Stored.Last(), Count: 1})
		want[fmt.Sprintf("%d:%s", f.Volume, f.Path)] = fmt.Sprint([]files.Range{{e.Offset + 1024, 1536}, {f.Size - tail, tail}})
		if tail == 0 {
			t.Fatal("the file ends with its sector")
		}
	}
	src := image.NewKnown(d, disk.NewSpans(lost...), nil)
	got, _ := list(t, src)
	compare(t, "the disk", got, want)
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := fit.Plan(context.Background(), src, s, fit.Wishes{Target: plan.Size{Sectors: 70000, SectorSize: 512}, Accept: []disk.Code{"missing-in-volume"}})
	if err != nil {
		t.Fatal(err)
	}
	c, err := card.New(p, src)
	if err != nil {
		t.Fatal(err)
	}
	got, _ = list(t, c.Known())
	compare(t, "the card", got, want)
}

func TestVisitorAndContextStopTheWalk(t *testing.T) {
	d := imagetest.New(9000, 512)
	disks.FAT(d, disk.Span{Count: 9000}, fat.FAT16, 100, 200, 300)
	s, err := scan.Run(context.Background(), d, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	if _, err := files.Walk(context.Background(), d, s, files.Options{}, func(*files.File) error { seen++; return fs.ErrClosed }); !errors.Is(err, fs.ErrClosed) || seen != 1 {
		t.Errorf("%v after %d files", err, seen)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := files.Walk(ctx, d, s, files.Options{}, func(*files.File) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}

// An allocation table of which no copy is left: the chains end early, and what
// is behind counts as missing.
func TestChainsThatEndEarly(t *testing.T) {
	d := imagetest.New(9000, 512)
	disks.FAT(d, disk.Span{Count: 9000}, fat.FAT16, 200000)
	v, err := fat.Read(d)
	if err != nil {
		t.Fatal(err)
	}
	src := image.NewKnown(d, disk.NewSpans(
		disk.Span{Start: v.TableSpan(0).Start + 1, Count: 1}, disk.Span{Start: v.TableSpan(1).Start + 1, Count: 1}), nil)
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	_, err = files.Walk(context.Background(), src, s, files.Options{}, func(f *files.File) error {
		if f.Path != "TAKES/SONG0.WAV" || len(f.Missing) != 1 || f.Missing[0].Start+f.Missing[0].Count != 200000 || f.Missing[0].Start%512 != 0 || f.Missing[0].Start == 0 {
			t.Errorf("%s: missing %v", f.Path, f.Missing)
		}
		have := make([]byte, f.Missing[0].Start)
		if err := image.ReadFull(f.Reader(), have, 0); err != nil || !bytes.Equal(have, disks.Recording(200000, 0)[:len(have)]) {
			t.Errorf("what is not missing is wrong: %v", err)
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

// TestVolumeWithoutItsTable: where an image ends before the allocation table no
// file can be listed, and that is said.
func TestVolumeWithoutItsTable(t *testing.T) {
	d := imagetest.New(8000, 512)
	disks.FAT(d, disk.Span{Count: 8000}, 0, 3000)
	src := imagetest.NewBytes(imagetest.Head(t, d, 512), 512)
	s, err := scan.Run(context.Background(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	findings, err := files.Walk(context.Background(), src, s, files.Options{}, func(*files.File) error { return nil })
	if err != nil || !slices.Contains(imagetest.Codes(findings), string(disk.VolumeNotWalkable)) {
		t.Errorf("%v, %v", findings, err)
	}
}

// What the survey found wrong with a volume, and what is neither file nor folder, is
// told with its files.
func TestWhatFilesMayBeOtherwiseIsTold(t *testing.T) {
	dir, sums := tree(t)
	if err := os.Symlink("INDEX.TXT", filepath.Join(dir, "LINK")); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "ext")
	if err := errors.Join(os.WriteFile(path, nil, 0o600), os.Truncate(path, 8<<20)); err != nil {
		t.Fatal(err)
	}
	tool(t, "mke2fs", "-q", "-F", "-t", "ext4", "-d", dir, path)
	tool(t, "debugfs", "-w", "-R", "feature needs_recovery", path)
	src, err := image.Open(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	m, err := scan.Run(t.Context(), src, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	count := 0
	found, err := files.Walk(t.Context(), src, m, files.Options{}, func(*files.File) error { count++; return nil })
	if err != nil || count != len(sums) || len(found) != 1 || found[0].Code != disk.LinksLeftOut || !strings.Contains(found[0].Text, " 1. ") {
		t.Errorf("%d files, %v, %v", count, found, err)
	}
	if w := files.Warnings(m, nil); len(w) != 1 || w[0].Code != disk.ExtDirty {
		t.Errorf("warnings %v of %v", w, m.Findings)
	}
	if w := files.Warnings(m, files.Warnings(m, nil)); len(w) != 0 {
		t.Errorf("told a second time: %v", w)
	}
	m.Volumes[0].Listed = false
	if w := files.Warnings(m, nil); len(w) != 0 {
		t.Errorf("warnings of a volume whose files nobody lists: %v", w)
	}
}
