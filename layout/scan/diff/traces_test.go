package diff_test

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/diff"
	"bootgraft/layout/volume/fat"
)

// TestTracesOfLinux: what vfat of Linux 6.1 was seen to change on a card. Mounted
// and unmounted again it changes nothing; a file that is read on another day
// has its day of access changed, and nothing else; a card that is pulled while it is
// mounted keeps bit 0 of the state flag of its boot sector.
func TestTracesOfLinux(t *testing.T) {
	const lookedAt, state = "the day of the last access of 1 file", "the state flag of its boot sector"
	for _, c := range []struct {
		name, kind string
		change     func(d *imagetest.Disk, v *fat.Volume)
		want       string // empty: no trace
	}{
		{"nothing", "fat32", func(*imagetest.Disk, *fat.Volume) {}, ""},
		{"looked into, FAT12", "fat12", lookInto, lookedAt},
		{"looked into, FAT16", "fat16", lookInto, lookedAt},
		{"looked into, FAT32", "fat32", lookInto, lookedAt},
		{"pulled, FAT12", "fat12", flip(0x25), state},
		{"pulled, FAT16", "fat16", flip(0x25), state},
		{"pulled, FAT32", "fat32", flip(0x41), state},
		{"a size changed as well", "fat16", func(d *imagetest.Disk, v *fat.Volume) {
			lookInto(d, v)
			at := firstFile(v).Place
			flip(int64(at.Sector)*512+int64(at.Offset)+28)(d, v)
		}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			want, have := imagetest.Load(t, "../../../testdata/fat/"+c.kind+".txt"), imagetest.Load(t, "../../../testdata/fat/"+c.kind+".txt")
			s, err := scan.Run(t.Context(), have, scan.Options{Short: true})
			if err != nil {
				t.Fatal(err)
			}
			if len(s.Volumes) != 1 {
				t.Fatalf("%d volumes in the fixture", len(s.Volumes))
			}
			v, err := scan.Open(have, s, s.Volumes[0].Index)
			if err != nil {
				t.Fatal(err)
			}
			c.change(have, v.(*fat.Volume))
			got := diff.Traces(t.Context(), want, have, differing(t, want, have))
			if c.want == "" && len(got) > 0 || c.want != "" && !slices.ContainsFunc(got, func(s string) bool { return strings.HasSuffix(s, ": "+c.want) }) {
				t.Errorf("traces %q, want one that ends with %q", got, c.want)
			}
		})
	}
}

// differing lists the sectors in which two disks differ.
func differing(t *testing.T, a, b image.Source) (out disk.Spans) {
	t.Helper()
	for x := range image.Sectors(a) {
		one, err1 := image.ReadSector(a, x)
		two, err2 := image.ReadSector(b, x)
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		if !bytes.Equal(one, two) {
			out = out.Add(disk.Span{Start: x, Count: 1})
		}
	}
	return out
}

// TestTracesOfFiles: a file that a device recorded explains what differs with it, but not a
// bit that was lost elsewhere.
func TestTracesOfFiles(t *testing.T) {
	v := volume{t, filepath.Join(t.TempDir(), "volume")}
	v.run("mkfs.fat", "-C", "-F", "16", "-s", "1", "-i", "0badcafe", v.path, "9000")
	v.file("OLD.WAV", 20_000)
	before := v.disk()
	v.file("NEW.WAV", 20_000)
	traces := func() string {
		after := v.disk()
		return strings.Join(diff.Traces(t.Context(), before, after, differing(t, before, after)), "; ")
	}
	if got := traces(); !strings.Contains(got, "new on the card: volume 0/NEW.WAV; files that came or went explain every difference") {
		t.Errorf("a new file: %q", got)
	}
	b, err := os.ReadFile(v.path)
	if err != nil {
		t.Fatal(err)
	}
	v.poke(int64(bytes.Index(b, imagetest.Telling(7, 39)[600:700])), func(c byte) byte { return c ^ 4 })
	if got := traces(); !strings.Contains(got, "does not explain every difference") {
		t.Errorf("a new file and a lost bit: %q", got)
	}
}

// TestTracesOfAll: a mount is named as the reason of all differences only where it is, and
// a volume that was formatted is no mount.
func TestTracesOfAll(t *testing.T) {
	const every, not, format = "that explains every difference", "does not explain every difference", "it was formatted"
	for name, c := range map[string]struct {
		change func(d *imagetest.Disk, v *fat.Volume)
		want   string
	}{
		"looked into": {lookInto, every},
		"looked into, and a byte of a file": {func(d *imagetest.Disk, v *fat.Volume) {
			lookInto(d, v)
			flip(int64(firstFile(v).Extents()[0].Start)*512)(d, v)
		}, not},
		"another serial, no file": {func(d *imagetest.Disk, v *fat.Volume) { flip(0x27)(d, v) }, format},
	} {
		want, have := imagetest.Load(t, "../../../testdata/fat/fat16.txt"), imagetest.Load(t, "../../../testdata/fat/fat16.txt")
		s, err := scan.Run(t.Context(), have, scan.Options{Short: true})
		if err != nil {
			t.Fatal(err)
		}
		v, err := scan.Open(have, s, s.Volumes[0].Index)
		if err != nil {
			t.Fatal(err)
		}
		c.change(have, v.(*fat.Volume))
		if got := diff.Traces(t.Context(), want, have, differing(t, want, have)); !strings.Contains(strings.Join(got, "; "), c.want) {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

func firstFile(v *fat.Volume) (first *fat.File) {
	t, err := v.LoadTable(v.Active)
	if err != nil {
		panic(err)
	}
	for f := range v.NewWalk(t, fat.WalkOptions{}).Files() {
		if !f.Dir {
			return f
		}
	}
	panic("the fixture has no file")
}

// lookInto sets the day of the last access of a file to 5 January 2027.
func lookInto(d *imagetest.Disk, v *fat.Volume) {
	f := firstFile(v)
	sector := make([]byte, 512)
	if err := image.ReadFull(d, sector, int64(f.Place.Sector)*512); err != nil {
		panic(err)
	}
	sector[f.Place.Offset+18], sector[f.Place.Offset+19] = 0x25, 0x5e
	d.Put(f.Place.Sector, sector)
}

// flip returns a change of bit 0 of one byte.
func flip(at int64) func(*imagetest.Disk, *fat.Volume) {
	return func(d *imagetest.Disk, _ *fat.Volume) {
		sector := make([]byte, 512)
		if err := image.ReadFull(d, sector, at/512*512); err != nil {
			panic(err)
		}
		sector[at%512] ^= 1
		d.Put(disk.Sector(at/512), sector)
	}
}
