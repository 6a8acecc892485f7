package ext

import (
	"fmt"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// TestDescriptorsFromBackup loses the descriptors next to the superblock; the
// volume then reads as before.
func TestDescriptorsFromBackup(t *testing.T) {
	dir := tree(t, 20)
	want := truth(t, dir)
	for _, name := range []string{"ext2-1k", "ext4-uninit-bg", "ext4-1k", "ext4-meta-bg", "ext4-sparse-super2"} {
		path := variantNamed(t, name).make(t, dir)
		sound := open(t, path)
		used, err := sound.Used()
		if err != nil {
			t.Fatal(err)
		}
		descs := sound.span(sound.descBlock(0), 1)
		for how, harm := range map[string]func(d *imagetest.Disk) image.Source{
			"unreadable": func(d *imagetest.Disk) image.Source {
				return &imagetest.Faulty{Source: d, Bad: disk.Spans{descs}}
			},
			"wiped": func(d *imagetest.Disk) image.Source { d.Put(descs.Start, make([]byte, 1024)); return d },
		} {
			t.Run(name+"/"+how, func(t *testing.T) {
				v, err := Read(harm(load(t, path)))
				if err != nil {
					t.Fatal(err)
				}
				wantCodes(t, v.Findings, "ext-descriptors-from-backup")
				got, _ := listing(t, v)
				same(t, got, want)
				now, err := v.Used()
				if err != nil || fmt.Sprint(now) != fmt.Sprint(used) {
					t.Errorf("used sectors %v, want %v (%v)", now, used, err)
				}
				if !v.Layout(0, 0).Meaning.Holds(v.sector(v.descsFrom[0])) {
					t.Error("the copy that was used is not in Meaning")
				}
			})
		}
	}
}

// TestOldFlagsInCopy: the kernel does not keep the copies up to date, so that
// one may still call a bitmap unwritten which is in use by now. Nothing that
// is in use may count as free because of it.
func TestOldFlagsInCopy(t *testing.T) {
	path := variantNamed(t, "ext4-1k").make(t, tree(t, 20))
	v := open(t, path)
	used, err := v.Used()
	if err != nil {
		t.Fatal(err)
	}
	d := load(t, path)
	poke(t, d, 1024, make([]byte, 1024)...) // the first superblock
	descs := int64(v.descBlockIn(0, 1)) * v.BlockSize
	for g := range int64(v.groups) {
		poke(t, d, descs+g*v.descSize+0x12, blockUninit)
	}
	old, err := Read(d)
	if err != nil {
		t.Fatal(err)
	}
	now, err := old.Used()
	if err != nil || fmt.Sprint(now) != fmt.Sprint(used) {
		t.Errorf("used sectors %v, want %v (%v)", now, used, err)
	}
}

// TestDescriptorsLost: a volume of one group has no copy.
func TestDescriptorsLost(t *testing.T) {
	d := fixture(t, "ext2")
	poke(t, d, 2048, make([]byte, 32)...)
	v, err := Read(d)
	if err != nil {
		t.Fatal(err)
	}
	wantCodes(t, v.Findings, "ext-descriptors-lost")
	if _, err := v.Used(); err == nil {
		t.Error("free blocks are known without a descriptor")
	}
	n := 0
	if _, err := v.walk(func(f File) error {
		if n++; f.Err == nil {
			t.Errorf("%s was found", f.Path)
		}
		return nil
	}); err != nil || n != 1 {
		t.Errorf("%d entries, %v", n, err)
	}
}

// TestMeaning: whatever Read decides on is in Meaning, and it is little.
func TestMeaning(t *testing.T) {
	for _, x := range variants {
		v := open(t, x.make(t, ""))
		m := v.Layout(0, 0).Meaning
		if !m.Holds(2) || !m.Holds(3) {
			t.Errorf("%s: the superblock is not in %v", x.name, m)
		}
		per := v.descsPerBlock()
		for k := range (v.groups + per - 1) / per {
			if !m.Holds(v.sector(v.descBlock(k))) {
				t.Errorf("%s: descriptor block %d is not in %v", x.name, k, m)
			}
		}
		if n, most := m.Sectors(), v.sector(1)*disk.Sector(v.groups+2); n > most {
			t.Errorf("%s: %d sectors", x.name, n)
		}
	}
}
