package fit

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	rig "bootgraft/image/imagetest/need"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan/files"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// songs lays a FAT volume with files in pieces down, and deletes some.
func songs(t *testing.T, d *imagetest.Disk, start, count disk.Sector, kind fat.Kind, cluster int) {
	t.Helper()
	v, err := format.New(io.NewOffsetWriter(d, int64(start)*512),
		format.Options{Sectors: int64(count), Kind: kind, SectorsPerCluster: cluster, Hidden: uint32(start), Label: "SONGS"})
	if err != nil {
		t.Fatal(err)
	}
	if err := v.Mkdir("A long folder", format.File{}); err != nil {
		t.Fatal(err)
	}
	for i := range 30 {
		name := fmt.Sprintf("A long folder/take %02d.wav", i)
		body := bytes.Repeat([]byte{byte(i + 1), 2, 3}, 3000+i*700)
		if err := v.Add(name, bytes.NewReader(body), int64(len(body)), format.File{Fragment: i % 4}); err != nil {
			t.Fatal(err)
		}
		if i%5 == 0 {
			if err := v.Remove(name); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
}

// volumeDisks are disks with a FAT volume that can shrink and grow: primary,
// logical, in a GUID partition table, and bare. index is its entry.
func volumeDisks(t *testing.T) map[string]struct {
	d     *imagetest.Disk
	index int
} {
	t.Helper()
	type disk = struct {
		d     *imagetest.Disk
		index int
	}
	const n = 100_000
	primary := imagetest.New(n, 512)
	disks.MBR(primary, entry(63, 80_000))
	songs(t, primary, 63, 80_000, fat.FAT16, 4)
	disks.Noise(primary, at(n-100, 100), 1)
	guid := imagetest.New(n, 512)
	disks.GPT(guid, entry(2048, 90_000))
	songs(t, guid, 2048, 90_000, fat.FAT32, 1)
	bare := imagetest.New(n, 512)
	songs(t, bare, 0, n, fat.FAT16, 2)
	logical := imagetest.New(n, 512)
	box := disks.Entry{Span: at(10_000, 85_000), Type: 0x0F}
	disks.MBR(logical, entry(63, 5_000), box)
	disks.Chain(logical, box.Span, 63, entry(10_063, 84_000))
	songs(t, logical, 10_063, 84_000, fat.FAT32, 1)
	return map[string]disk{"primary": {primary, 1}, "gpt": {guid, 1}, "bare": {bare, 0}, "logical": {logical, 5}}
}

// contents returns the SHA-256 of every file of a disk.
func contents(t *testing.T, src image.Source) map[string][32]byte {
	t.Helper()
	out := map[string][32]byte{}
	_, err := files.Walk(t.Context(), src, survey(t, src), files.Options{}, func(f *files.File) error {
		b, err := io.ReadAll(f.Reader())
		out[f.Path] = sha256.Sum256(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// checkVolume wants a card on which nothing is found wrong, whose volume
// fsck.fat (dosfstools) accepts, with every file of the original.
func checkVolume(t *testing.T, name string, d image.Source, p *plan.Plan, index int) image.Source {
	t.Helper()
	c := mustCard(t, p, d)
	known := c.Known()
	s := survey(t, known)
	for _, f := range s.Findings {
		if f.Severity != disk.Note && f.Code != "volume-not-known" && f.Code != "table-not-known" {
			t.Errorf("%s, %d sectors: the card has %+v", name, p.Target.Sectors, f)
		}
	}
	if want, got := contents(t, d), contents(t, known); !maps.Equal(want, got) {
		t.Errorf("%s, %d sectors: %d files became %d, or changed", name, p.Target.Sectors, len(want), len(got))
	}
	v := s.Volume(index)
	if v == nil {
		t.Fatalf("%s, %d sectors: no volume on the card", name, p.Target.Sectors)
	}
	written := imagetest.New(v.Count, 512)
	window := image.NewWindow(known, v.Span)
	for _, part := range image.Unknown(window, image.Whole(window)).Outside(image.Whole(window)) {
		b, err := image.ReadSectors(window, part)
		if err != nil {
			t.Fatal(err)
		}
		written.Put(part.Start, b)
	}
	path := imagetest.Save(t, written)
	defer os.Remove(path)
	if out, err := exec.Command(rig.Tool(t, "fsck.fat"), "-n", path).CombinedOutput(); err != nil {
		t.Errorf("%s, %d sectors: %v\n%s", name, p.Target.Sectors, err, out)
	}
	return c
}

// TestVolumesFollowTheCard: on every size from the smallest on a FAT volume
// shrinks as far as it must, and grows as far as it may; the smallest card is
// exact.
func TestVolumesFollowTheCard(t *testing.T) {
	t.Parallel()
	for name, drive := range volumeDisks(t) {
		_, err := tryPlan(t, drive.d, size(1000))
		r := IsRefused(err)
		if r == nil || r.Smallest == 0 {
			t.Fatalf("%s: %v", name, err)
		}
		if _, err := tryPlan(t, drive.d, size(r.Smallest-1)); IsRefused(err) == nil {
			t.Errorf("%s: %d will do as well", name, r.Smallest-1)
		}
		for _, n := range []disk.Sector{r.Smallest, r.Smallest + 1, r.Smallest + 1777, 99_000} {
			checkVolume(t, name, drive.d, mustPlan(t, drive.d, size(n)), drive.index)
		}
		for _, n := range []disk.Sector{100_000, 100_777, 180_000} {
			w := size(n)
			w.Volumes.Wish = map[int]volume.Wishes{drive.index: {Mode: volume.Grow}}
			p := mustPlan(t, drive.d, w)
			c := checkVolume(t, name, drive.d, p, drive.index)
			if n > 100_100 && survey(t, c).Volume(drive.index).Count <= survey(t, drive.d).Volume(drive.index).Count {
				t.Errorf("%s, %d sectors: the volume did not grow", name, n)
			}
		}
	}
}

// TestSlackForbidsResize: sectors in use behind a volume are nobody's to move.
func TestSlackForbidsResize(t *testing.T) {
	d := imagetest.New(100_000, 512)
	disks.MBR(d, entry(63, 90_000))
	songs(t, d, 63, 80_000, fat.FAT16, 4)
	disks.Noise(d, at(85_000, 3), 1)
	if _, err := tryPlan(t, d, size(70_000)); IsRefused(err) == nil {
		t.Errorf("a volume shrank before sectors in use: %v", err)
	}
	w := size(100_000)
	w.Volumes.Wish = map[int]volume.Wishes{1: {Mode: volume.Grow}}
	if _, err := tryPlan(t, d, w); IsRefused(err) == nil {
		t.Errorf("a volume grew over sectors in use: %v", err)
	}
}

// An emptied volume leaves its files behind, and the directory that named them with
// them: all of it is listed, and not as if no file had used it. A change of what was
// read of it, the label, makes the plan stale.
func TestAnEmptiedVolumeDropsItsRoot(t *testing.T) {
	t.Parallel()
	for name, x := range volumeDisks(t) {
		v := fatOf(t, x.d, survey(t, x.d), x.index)
		root, start := v.RootSpan(), survey(t, x.d).Volume(x.index).Start
		if v.Kind == fat.FAT32 {
			root = v.Cluster(v.BPB.RootCluster)
		}
		root.Start += start
		for n, wish := range map[disk.Sector]volume.Wishes{
			200_000:                {Empty: true, Mode: volume.Grow},
			image.Sectors(x.d):     {Empty: true},
			image.Sectors(x.d) - 1: {Empty: true, Mode: volume.Shrink},
		} {
			p := mustPlan(t, x.d, wishing(n, x.index, wish))
			var gone []disk.Span
			for _, d := range p.Dropped {
				if d.Why == "the volume was to become empty" {
					gone = append(gone, d.Span)
				}
			}
			if left := disk.NewSpans(gone...).Outside(root); len(left) > 0 {
				t.Errorf("%s, %d sectors: %v of the old root directory %s are not listed: %+v", name, n, left, root, p.Dropped)
			}
			if len(p.Source.Meaning.Outside(disk.Span{Start: root.Start, Count: 1})) > 0 {
				t.Errorf("%s, %d sectors: the label may change under the plan", name, n)
			}
		}
	}
}

// What is refused comes in the order of the entries, whatever the wishes are kept in.
func TestWishesForNoVolumeAreRefusedInOrder(t *testing.T) {
	d := once(t, withTail())
	w := size(70_000)
	w.Volumes.Wish = map[int]volume.Wishes{9: {}, 7: {}, 8: {}, 6: {}, 5: {}}
	for range 20 {
		_, err := tryPlan(t, d, w)
		r := IsRefused(err)
		if r == nil {
			t.Fatal("planned")
		}
		if !slices.IsSortedFunc(r.Why, func(a, b disk.Finding) int { return strings.Compare(a.Text, b.Text) }) {
			t.Fatalf("not in order: %v", r.Why)
		}
	}
}
