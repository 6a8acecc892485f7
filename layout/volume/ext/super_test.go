package ext

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// wantCodes checks the codes of findings, in any order.
func wantCodes(t testing.TB, findings []disk.Finding, want ...string) {
	t.Helper()
	var have []string
	for _, f := range findings {
		have = append(have, string(f.Code))
	}
	slices.Sort(have)
	slices.Sort(want)
	if !slices.Equal(have, want) {
		t.Errorf("findings %v, want %v: %+v", have, want, findings)
	}
}

// The places of the copies: Linux kernel, Documentation/filesystems/ext4/blockgroup.rst;
// e2fsprogs ext2fs_bg_has_super; dumpe2fs agrees in TestAgainstTools.
func TestBackupGroups(t *testing.T) {
	sb := &Superblock{Features: Features{ROCompat: roSparseSuper}, groups: 200, perGroup: 32768, BlockSize: 4096}
	// E04
	if got := fmt.Sprint(sb.backupGroups(99)); got != "[1 3 5 7 9 25 27 49 81 125]" {
		t.Errorf("groups %s", got)
	}
	for g := range uint64(200) {
		want := g == 0 || slices.Contains(sb.backupGroups(99), g)
		if sb.hasSuper(g) != want {
			t.Errorf("hasSuper(%d) is %v", g, !want)
		}
	}
	places := func(first, perGroup uint64, n int) []uint64 {
		sb := &Superblock{Features: sb.Features, groups: 200, first: first, perGroup: perGroup}
		var out []uint64
		for _, g := range sb.backupGroups(n) {
			out = append(out, sb.firstBlock(g))
		}
		return out
	}
	// E02
	if got := fmt.Sprint(places(0, 32768, 7)); got != "[32768 98304 163840 229376 294912 819200 884736]" {
		t.Errorf("4 KiB: %s", got)
	}
	// E03
	if got := fmt.Sprint(places(1, 8192, 6)); got != "[8193 24577 40961 57345 73729 204801]" {
		t.Errorf("1 KiB: %s", got)
	}
	all := &Superblock{groups: 5, perGroup: 8192}
	if got := fmt.Sprint(all.backupGroups(99)); got != "[1 2 3 4]" {
		t.Errorf("without sparse_super: %s", got)
	}
	two := &Superblock{Features: Features{Compat: compatSparseSuper2}, groups: 9, backups: [2]uint64{1, 8}}
	if got := fmt.Sprint(two.backupGroups(99)); got != "[1 8]" {
		t.Errorf("with sparse_super2: %s", got)
	}
}

// load reads an image into memory, so that a test may change it.
func load(t testing.TB, path string) *imagetest.Disk {
	t.Helper()
	src, err := image.Open(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	d := imagetest.New(image.Sectors(src), 512)
	for off := int64(0); off < src.Size(); {
		start, end := src.NextData(off)
		b := make([]byte, end-start)
		if err := image.ReadFull(src, b, start); err != nil && len(b) > 0 {
			t.Fatal(err)
		}
		if len(b) > 0 {
			poke(t, d, start, b...)
		}
		off = end
	}
	return d
}

func poke(t testing.TB, d *imagetest.Disk, off int64, b ...byte) {
	t.Helper()
	if _, err := d.WriteAt(b, off); err != nil {
		t.Fatal(err)
	}
}

func fault(err error) (disk.Fault, bool) {
	var f *disk.FormatError
	if errors.As(err, &f) {
		return f.Fault, true
	}
	return 0, false
}

// TestMagic: E01, Linux kernel, Documentation/filesystems/ext4/super.rst, s_magic:
// the bytes 53 EF at 1080 of the volume.
func TestMagic(t *testing.T) {
	path := variantNamed(t, "ext2-1k").make(t, "")
	d := load(t, path)
	b := make([]byte, 2)
	if err := image.ReadFull(d, b, 1080); err != nil || b[0] != 0x53 || b[1] != 0xEF {
		t.Fatalf("mke2fs wrote % x, %v", b, err)
	}
	poke(t, d, 1080, 0x54)
	// Only what leads to a root directory counts for one with no magic.
	v, err := Read(d)
	if err != nil {
		t.Fatal(err)
	}
	wantCodes(t, v.Findings, "ext-superblock-from-backup")
	poke(t, d, v.rootByte(t), 0)
	if _, err := Read(d); func() bool { f, ok := fault(err); return !ok || f != disk.Absent }() {
		t.Errorf("leftovers without a root directory: %v, want Absent", err)
	}
}

// rootByte returns where the root directory begins, in bytes.
func (v *Volume) rootByte(t *testing.T) int64 {
	t.Helper()
	r := v.blocks()
	n, err := r.inode(rootInode)
	if err != nil {
		t.Fatal(err)
	}
	e, err := r.extents(n, &budget{1000})
	if err != nil {
		t.Fatal(err)
	}
	return int64(e[0].Sectors.Start) * 512
}

// TestFromBackup loses the first superblock in each way it can be lost.
func TestFromBackup(t *testing.T) {
	dir := tree(t, 20)
	want := truth(t, dir)
	for _, name := range []string{"ext2-1k", "ext2-rev0", "ext4-1k", "ext4-4k", "ext4-meta-bg", "ext4-sparse-super2", "ext4-inline-512"} {
		path := variantNamed(t, name).make(t, dir)
		for how, harm := range map[string]func(d *imagetest.Disk) image.Source{
			"unreadable": func(d *imagetest.Disk) image.Source {
				return &imagetest.Faulty{Source: d, Bad: disk.Spans{{Start: 2, Count: 2}}}
			},
			"wiped":   func(d *imagetest.Disk) image.Source { poke(t, d, 1024, make([]byte, 1024)...); return d },
			"damaged": func(d *imagetest.Disk) image.Source { poke(t, d, 1024+0x20, 7, 0, 0, 0); return d },
		} {
			t.Run(name+"/"+how, func(t *testing.T) {
				v, err := Read(harm(load(t, path)))
				if err != nil {
					t.Fatal(err)
				}
				wantCodes(t, v.Findings, "ext-superblock-from-backup")
				if v.Backup != 1 {
					t.Errorf("the copy of group %d was used", v.Backup)
				}
				if used := v.Layout(0, 0).UsedBytes; used != -1 {
					t.Errorf("a copy is said to know that %d bytes are used", used)
				}
				got, _ := listing(t, v)
				if name == "ext4-inline-512" {
					got["sparse.bin"] = want["sparse.bin"] // see TestAgainstTools
				}
				same(t, got, want)
				if _, err := v.Used(); err != nil {
					t.Error(err)
				}
			})
		}
	}
}

// TestLargerThanPartition: E06. e2fsck -n only warns ("The filesystem size
// (according to the superblock) ...", e2fsprogs e2fsck/problem.c) and exits
// with 0, so the sizes are compared here.
func TestLargerThanPartition(t *testing.T) {
	x := variantNamed(t, "ext2-1k")
	path := x.make(t, "")
	if err := os.Truncate(path, 47<<20); err != nil {
		t.Fatal(err)
	}
	out := run(t, "e2fsck", "-fn", path)
	if !strings.Contains(out, "The physical size of the device is 48128 blocks") {
		t.Errorf("e2fsck says:\n%s", out)
	}
	v := open(t, path)
	wantCodes(t, v.Findings, "ext-larger-than-partition")
	if v.sectors() != 48<<11 {
		t.Errorf("%d sectors", v.sectors())
	}
	used, err := v.Used()
	if err != nil {
		t.Fatal(err)
	}
	if n := used.Sectors(); n == 0 || n > 47<<11 {
		t.Errorf("%d sectors in use", n)
	}
}

// TestFieldsOfSuperblock changes one field at a time.
func TestFieldsOfSuperblock(t *testing.T) {
	path := variantNamed(t, "ext4-4k").make(t, "")
	small := variantNamed(t, "ext2-4k").make(t, "") // one group: no copy to fall back on
	for _, tc := range []struct {
		what  string
		image string
		off   int64
		b     []byte
		fault disk.Fault
		fails bool
		codes []string
	}{
		{"orphan list", path, 0xE8, []byte{12}, 0, false, []string{"ext-orphans", "ext-checksum"}},
		{"state: errors", path, 0x3A, []byte{3}, 0, false, []string{"ext-dirty", "ext-checksum"}},
		{"state: not clean", small, 0x3A, []byte{0}, 0, false, []string{"ext-dirty"}},
		{"needs recovery (E05)", small, 0x60, []byte{2 | 4}, 0, false, []string{"ext-dirty"}},
		{"other UUID than the copies", path, 0x68, []byte{0xEE}, 0, false, []string{"ext-backup-differs", "ext-checksum"}},
		{"unknown incompat", small, 0x63, []byte{0x80}, 0, false, []string{"ext-unsupported-features"}},
		{"external journal", small, 0x60, []byte{8}, disk.Unsupported, true, nil},
		{"revision 2", small, 0x4C, []byte{2}, disk.Unsupported, true, nil},
		{"no magic", small, 0x38, []byte{0, 0}, disk.Absent, true, nil},
		{"a copy", small, 0x5A, []byte{3}, disk.Malformed, true, nil},
		{"block size", small, 0x18, []byte{7}, disk.Malformed, true, nil},
		{"first data block", small, 0x14, []byte{1}, disk.Malformed, true, nil},
		{"blocks", small, 4, []byte{0, 0, 0, 0}, disk.Malformed, true, nil},
		{"blocks a group", small, 0x20, []byte{0, 0, 0, 0}, disk.Malformed, true, nil},
		{"inodes a group", small, 0x28, []byte{0, 0, 0, 0}, disk.Malformed, true, nil},
		{"inodes", small, 0, []byte{1}, disk.Malformed, true, nil},
		{"inode size", small, 0x58, []byte{0, 0}, disk.Malformed, true, nil},
	} {
		t.Run(tc.what, func(t *testing.T) {
			d := load(t, tc.image)
			poke(t, d, 1024+tc.off, tc.b...)
			v, err := Read(d)
			if (v == nil) != (err != nil) || (err != nil) != tc.fails {
				t.Fatalf("volume %v, error %v", v, err)
			}
			if err != nil {
				if f, ok := fault(err); !ok || f != tc.fault {
					t.Errorf("%v", err)
				}
				return
			}
			have := slices.Compact(codes(v.Findings))
			slices.Sort(tc.codes)
			if !slices.Equal(have, tc.codes) {
				t.Errorf("findings %v, want %v", have, tc.codes)
			}
			_, err = v.walk(func(File) error { return nil })
			if unknown := slices.Contains(tc.codes, "ext-unsupported-features"); unknown != (err != nil) {
				t.Errorf("Walk: %v", err)
			}
		})
	}
}

func codes(findings []disk.Finding) []string {
	var out []string
	for _, f := range findings {
		out = append(out, string(f.Code))
	}
	slices.Sort(out)
	return out
}

// TestSectorSizes: blocks are never split over sectors.
func TestSectorSizes(t *testing.T) {
	dir := tree(t, 5)
	want := truth(t, dir)
	for _, unit := range []int{512, 1024, 2048, 4096} {
		for _, name := range []string{"ext2-1k", "ext4-4k"} {
			src, err := image.Open(variantNamed(t, name).make(t, dir), unit)
			if err != nil {
				t.Fatal(err)
			}
			defer src.Close()
			v, err := Read(src)
			if name == "ext2-1k" && unit > 1024 {
				if f, ok := fault(err); !ok || f != disk.Unsupported {
					t.Errorf("1 KiB blocks on sectors of %d bytes: %v", unit, err)
				}
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			got, _ := listing(t, v)
			same(t, got, want)
		}
	}
}

func TestAbsent(t *testing.T) {
	for _, n := range []disk.Sector{0, 1, 3, 4, 1 << 20} {
		_, err := Read(imagetest.New(n, 512))
		if f, ok := fault(err); !ok || f != disk.Absent {
			t.Errorf("a blank disk of %d sectors: %v", n, err)
		}
	}
}
