package resize_test

import (
	"bytes"
	"math"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// fileOf returns a file of a volume by its path, as a kit keeps it, and its bytes.
func fileOf(t *testing.T, v *fat.Volume, tab *fat.Table, path string) (k volume.Kept, content []byte) {
	t.Helper()
	v.Visit(tab, fat.Visitor{File: func(f *fat.File) {
		if f.Path != path {
			return
		}
		k = volume.Kept{Entry: slices.Clone(f.Raw[:]), Extents: v.Extents(f.Chain.Runs)}
		for _, s := range k.Extents {
			b, err := image.ReadSectors(v.Source(), s)
			if err != nil {
				t.Fatal(err)
			}
			content = append(content, b...)
		}
		content = content[:f.Size]
	}})
	if k.Entry == nil {
		t.Fatalf("no file %s", path)
	}
	return k, content
}

// TestKept: a file that stays in a volume which becomes empty lies where it lay, in the
// root directory, and alone; fsck.fat judges. What cannot be kept is asked about.
func TestKept(t *testing.T) {
	t.Parallel()
	for _, o := range []format.Options{fat16, {Sectors: 140000, Kind: fat.FAT32, SectorsPerCluster: 2}, {Sectors: 3000, Kind: fat.FAT12, SectorsPerCluster: 2}} {
		s := lay(t, o, "A.WAV", 20, "LOADER.SYS", 9, "DIR", 0, "DIR/B.WAV", 7)
		v, tab := read(t, s)
		a, wantA := fileOf(t, v, tab, "LOADER.SYS")
		b, wantB := fileOf(t, v, tab, "DIR/B.WAV")
		for _, w := range []volume.Wishes{{}, {Mode: volume.Shrink, Sectors: v.Sectors * 99 / 100}, {Mode: volume.Grow, Room: v.Sectors * 5 / 4}} {
			w.Empty, w.Kept = true, []volume.Kept{a, b}
			w.Accept = func(c disk.Code) bool { return c == disk.LoaderFileMoves } // where the data area shifts
			path := apply(t, s, mustPlan(t, v, tab, w))
			tool(t, "fsck.fat", "-n", path)
			v2, tab2 := open(t, path)
			if h := v2.Check(tab2); h.Files != 2 || h.Dirs != 0 || v2.Label() != "TAKES" {
				t.Errorf("%+v: %+v, label %q", w, h, v2.Label())
			}
			now, gotA := fileOf(t, v2, tab2, "LOADER.SYS")
			_, gotB := fileOf(t, v2, tab2, "B.WAV")
			if !bytes.Equal(gotA, wantA) || !bytes.Equal(gotB, wantB) {
				t.Errorf("%+v: other bytes", w)
			}
			if w.Mode != volume.Grow && !slices.Equal(now.Extents, a.Extents) {
				t.Errorf("%+v: it lies at %v instead of %v", w, now.Extents, a.Extents)
			}
		}
		with := func(change func(k *volume.Kept)) []volume.Kept {
			k := volume.Kept{Entry: slices.Clone(a.Entry), Extents: slices.Clone(a.Extents)}
			change(&k)
			return []volume.Kept{k}
		}
		for name, kept := range map[string][]volume.Kept{
			"no bytes":            with(func(k *volume.Kept) { k.Entry = nil }),
			"no sectors":          with(func(k *volume.Kept) { k.Extents = nil }),
			"twice":               append(with(func(*volume.Kept) {}), a),
			"of another file":     with(func(k *volume.Kept) { k.Extents = b.Extents }),
			"too few":             with(func(k *volume.Kept) { k.Extents[0].Count -= v.ClusterSectors }),
			"half a cluster":      with(func(k *volume.Kept) { k.Extents[0].Start++ }),
			"before the volume":   with(func(k *volume.Kept) { k.Extents[0].Start = -2 }),
			"behind the volume":   with(func(k *volume.Kept) { k.Extents[0].Start = v.Sectors + 2 }),
			"past its end":        with(func(k *volume.Kept) { k.Extents[0].Count = v.Sectors / 2 * 2 }),
			"no end":              with(func(k *volume.Kept) { k.Extents[0].Count = math.MaxInt64 / 2 }),
			"itself again":        with(func(k *volume.Kept) { k.Extents = append(k.Extents, k.Extents[0]) }),
			"too many for a root": slices.Repeat(with(func(k *volume.Kept) { k.Entry = nil }), 600),
		} {
			t.Run(name, func(t *testing.T) {
				mustRefuse(t, v, tab, volume.Wishes{Empty: true, Kept: kept}, string(disk.LinkedFileGone))
			})
		}
	}
}
