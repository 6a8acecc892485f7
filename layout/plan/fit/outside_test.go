package fit

import (
	"context"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	rig "bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

func tool(t testing.TB, name, stdin string, args ...string) string {
	t.Helper()
	cmd := exec.Command(rig.Tool(t, name), args...)
	cmd.Stdin = strings.NewReader(stdin)
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, out)
	}
	return string(out)
}

// original is a disk made by sfdisk with FAT and ext volumes by their tools.
func original(t testing.TB, label string) *image.File {
	t.Helper()
	dir := t.TempDir()
	name := filepath.Join(dir, "disk.img")
	empty := func(path string, sectors int64) {
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Truncate(path, sectors*512); err != nil {
			t.Fatal(err)
		}
	}
	empty(name, 120000)
	tool(t, "sfdisk", "label: "+label+"\nunit: sectors\nstart=2048, size=80000\nstart=83000, size=30000\n", "-q",
		"--no-reread", "--no-tell-kernel", "-w", "never", name)
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, v := range []struct {
		at, sectors int64
		make        []string
	}{{2048, 80000, []string{"mkfs.fat", "-F", "32", "-s", "1", "-h", "2048"}},
		{83000, 20000, []string{"mke2fs", "-q", "-F"}}} {
		part := filepath.Join(dir, v.make[0])
		empty(part, v.sectors)
		tool(t, v.make[0], "", append(v.make[1:], part)...)
		b, err := os.ReadFile(part)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.WriteAt(b, v.at*512); err != nil {
			t.Fatal(err)
		}
	}
	src, err := image.Open(name, 512)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { src.Close() })
	return src
}

// What is planned for another size is a disk to sfdisk --verify and to partx,
// and the volumes are sound to fsck.fat and e2fsck.
func TestPlannedCardsOutside(t *testing.T) {
	t.Parallel()
	for _, label := range []string{"dos", "gpt"} {
		for _, n := range []disk.Sector{104000, 120007} {
			src := original(t, label)
			w := size(n)
			w.Excess = ExcessZero
			p := mustPlan(t, src, w)
			c := mustCard(t, p, src)
			s := survey(t, c)
			if len(s.Findings) > 0 {
				t.Errorf("%s, %d: %+v", label, n, s.Findings)
			}
			name := imagetest.Save(t, c)
			if out := tool(t, "sfdisk", "", "--verify", name); !strings.Contains(out, "No errors detected") {
				t.Errorf("%s, %d: sfdisk --verify says %s", label, n, out)
			}
			var want []disk.Span
			for _, e := range s.Entries {
				want = append(want, e.Span)
			}
			var got []disk.Span
			for _, slot := range imagetest.Partx(t, name) {
				got = append(got, slot.Span)
			}
			if !slices.Equal(got, want) {
				t.Errorf("%s, %d: partx sees %v, the survey %v", label, n, got, want)
			}
			fsck(t, c, s.Entries)
		}
	}
}

// A volume without a table whose boot sector lists itself as an entry, as mkfs.fat --mbr
// and mformat write it: on every card it is still the bare volume that blkid sees.
func TestBareVolumeThatListsItself(t *testing.T) {
	t.Parallel()
	for _, n := range []disk.Sector{8192, 65536, 524160} {
		for _, args := range [][]string{
			{"mformat", "-T", fmt.Sprint(n), "-i", "", "::"}, {"mkfs.fat", "--mbr=y", ""}, {"mkfs.fat", "--mbr=n", ""},
		} {
			name := imagetest.Save(t, imagetest.New(n, 512))
			args[slices.Index(args, "")] = name
			tool(t, args[0], "", args[1:]...)
			src, err := image.Open(name, 512)
			if err != nil {
				t.Fatal(err)
			}
			defer src.Close()
			for _, to := range []disk.Sector{n - n/9, n + n/15, 3 * n} {
				w := size(to)
				w.Excess = ExcessZero
				if to > n {
					w.Volumes.Wish = map[int]volume.Wishes{0: {Mode: volume.Grow}}
				}
				c := mustCard(t, mustPlan(t, src, w), src)
				if got := imagetest.Save(t, c); !strings.Contains(tool(t, "blkid", "", "-p", got), `TYPE="vfat"`) {
					t.Errorf("%q, %d to %d: blkid sees no FAT volume", args, n, to)
				} else {
					tool(t, "fsck.fat", "", "-n", got)
				}
			}
		}
	}
}

func fsck(t testing.TB, c image.Source, entries []layout.Entry) {
	t.Helper()
	for i, args := range [][]string{{"fsck.fat", "-n"}, {"e2fsck", "-fn"}} {
		name := imagetest.Save(t, image.NewWindow(c, entries[i].Span))
		tool(t, args[0], "", append(args[1:], name)...)
	}
}

// TestNumbersOfEntriesThatChange: a system area that keeps the length of the volume, and
// its last sector, is told of when the volume becomes shorter, and not when it stays.
func TestNumbersOfEntriesThatChange(t *testing.T) {
	const n, length = 1008 * 1590, 1_500_003
	d := imagetest.New(n, 512)
	disks.MBR(d, entry(63, length))
	disks.FAT(d, at(63, 900_000), 0, 3000)
	b := make([]byte, 512)
	copy(b, "RACK UNIT 7")
	binary.BigEndian.PutUint32(b[64:], length)
	binary.LittleEndian.PutUint32(b[68:], 63+length-1)
	d.Put(4, b)
	for _, c := range []struct {
		card disk.Sector
		want int
	}{{2_001_888, 0}, {1_300_000, 2}} {
		w := Wishes{}
		s, err := scan.Run(context.Background(), d, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		w.Target = plan.Size{Sectors: c.card, SectorSize: 512}
		if err := w.LookOutside(context.Background(), d, s); err != nil {
			t.Fatal(err)
		}
		p, err := Plan(context.Background(), d, s, w)
		if err != nil {
			t.Fatal(err)
		}
		told := 0
		for _, f := range p.Findings {
			if f.Code == disk.EntryNumberKept {
				told++
				if !strings.Contains(f.Text, "entry 1") {
					t.Errorf("%s", f.Text)
				}
			}
		}
		if told != c.want {
			t.Errorf("%d sectors: %d numbers are told of, want %d: %v", c.card, told, c.want, p.Findings)
		}
	}
}

// TestNumbersInsidePartitions: a number of the disk's size, or of the entry's, in a partition
// that nobody recognises or in what a FAT32 volume reserves, is listed by the survey and told
// of by the plan, on a card on which it is no longer right, and on no other.
func TestNumbersInsidePartitions(t *testing.T) {
	const n, vol, own, length = 2_500_000, 63, 1_200_000, 900_000
	build := func(change func(d *imagetest.Disk)) *imagetest.Disk {
		d := imagetest.New(n, 512)
		disks.MBR(d, entry(vol, 1_000_000), entry(own, length))
		disks.FAT(d, at(vol, 1_000_000), fat.FAT32, 3000)
		change(d)
		return d
	}
	header := func(put func(b []byte)) []byte {
		b := make([]byte, 512)
		copy(b, "RACK UNIT 7 VOLUME")
		put(b)
		return b
	}
	le, be := binary.LittleEndian, binary.BigEndian
	for name, c := range map[string]struct {
		change func(d *imagetest.Disk)
		listed int
		code   disk.Code
	}{
		"nothing": {func(d *imagetest.Disk) {}, 0, ""},
		"the disk, in the partition": {func(d *imagetest.Disk) {
			d.Put(own+2, header(func(b []byte) { le.PutUint32(b[64:], n) }))
		}, 1, disk.InsideNumberKept},
		"the disk, at the end of the partition": {func(d *imagetest.Disk) {
			d.Put(own+length-1, header(func(b []byte) { be.PutUint32(b[64:], n-1) }))
		}, 1, disk.InsideNumberKept},
		"the partition, in itself": {func(d *imagetest.Disk) {
			d.Put(own, header(func(b []byte) { le.PutUint32(b[64:], length/2) }))
		}, 1, ""},
		"the disk, in reserved sectors": {func(d *imagetest.Disk) {
			d.Put(vol+9, header(func(b []byte) { le.PutUint32(b[64:], n) }))
		}, 1, disk.InsideNumberKept},
		"the volume, in reserved sectors": {func(d *imagetest.Disk) {
			d.Put(vol+9, header(func(b []byte) { le.PutUint32(b[64:], vol+1_000_000-1) }))
		}, 1, ""},
		"in the boot sector, the FSInfo sector and the copies": {func(d *imagetest.Disk) {
			for _, x := range []disk.Sector{0, 1, 6} {
				b := make([]byte, 512)
				if err := image.ReadFull(d, b, int64(vol+x)*512); err != nil {
					t.Fatal(err)
				}
				le.PutUint32(b[200:], n)
				d.Put(vol+x, b)
			}
		}, 0, ""},
	} {
		d := build(c.change)
		s, err := scan.Run(context.Background(), d, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		o, err := scan.LookOutside(context.Background(), d, s)
		if err != nil {
			t.Fatal(err)
		}
		inside := slices.DeleteFunc(slices.Clone(o.Fields), func(f layout.Field) bool { return !f.Inside })
		if len(inside) != c.listed {
			t.Errorf("%s: the survey lists %+v, want %d", name, inside, c.listed)
		}
		for _, card := range []disk.Sector{n, n + 500_000} {
			w := Wishes{Target: plan.Size{Sectors: card, SectorSize: 512}}
			if err := w.LookOutside(context.Background(), d, s); err != nil {
				t.Fatal(err)
			}
			p, err := Plan(context.Background(), d, s, w)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			told := slices.ContainsFunc(p.Findings, func(f disk.Finding) bool { return f.Code == disk.InsideNumberKept })
			if want := card != n && c.code != ""; told != want {
				t.Errorf("%s, card of %d: told %v, want %v: %v", name, card, told, want, p.Findings)
			}
		}
	}
}

// TestHybridVolumeGrows: where the boot record beside a GPT names the same sectors as an
// entry, the volume in it may grow, and nothing is asked: sfdisk and partx read the same
// length from both tables.
func TestHybridVolumeGrows(t *testing.T) {
	const n, start, length, card = 400_000, 2048, 200_000, 800_000
	original := func() *imagetest.Disk {
		name := filepath.Join(t.TempDir(), "disk.img")
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Truncate(name, n*512); err != nil {
			t.Fatal(err)
		}
		tool(t, "sfdisk", "label: gpt\nstart=2048,size=200000,type=EBD0A0A2-B9E5-4433-87C0-68B6B72699C7\n", "-q", name)
		all, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		le := binary.LittleEndian
		le.PutUint32(all[446+12:], start-1) // the EE record protects what lies before
		copy(all[462:], []byte{0x80, 0xFE, 0xFF, 0xFF, 0x0C, 0xFE, 0xFF, 0xFF})
		le.PutUint32(all[462+8:], start)
		le.PutUint32(all[462+12:], length)
		d := imagetest.NewBytes(all, 512)
		disks.FAT(d, at(start, length), fat.FAT32, 3000)
		return d
	}
	d := original()
	w := wishing(card, 1, volume.Wishes{Mode: volume.Grow, Free: volume.FreeCopy})
	w.Excess = ExcessZero
	p := mustPlan(t, d, w)
	c := mustCard(t, p, d)
	s := survey(t, c)
	if s.Table != "gpt" || len(s.Entries) != 1 || s.Entries[0].Count != 797_919 {
		t.Fatalf("table %s, entries %+v", s.Table, s.Entries)
	}
	name := imagetest.Save(t, c)
	if out := tool(t, "sfdisk", "", "-l", "-Y", "dos", "-o", "Start,Sectors,Id", name); !strings.Contains(out, "2048  797919") {
		t.Errorf("sfdisk reads of the boot record:\n%s", out)
	}
	if out := tool(t, "partx", "", "-g", "-t", "gpt", "-o", "START,SECTORS", name); !strings.Contains(out, "2048  797919") {
		t.Errorf("partx reads of the GPT:\n%s", out)
	}
	tool(t, "fsck.fat", "", "-n", imagetest.Save(t, image.NewWindow(c, s.Entries[0].Span)))
}
