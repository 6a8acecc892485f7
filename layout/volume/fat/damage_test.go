package fat_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// specimen is a small volume with known files: A.BIN (4 clusters), B.BIN (6),
// EMPTY, DIR/C.BIN (3), DIR/SUB/D.BIN (2), a file with a long name.
func specimen(t testing.TB, o format.Options) *imagetest.Disk {
	t.Helper()
	d := imagetest.New(disk.Sector(o.Sectors), max(512, o.BytesPerSector))
	v, err := format.New(d, o)
	if err != nil {
		t.Fatal(err)
	}
	n := int64(v.SectorsPerCluster * v.BytesPerSector)
	add := func(path string, clusters int64) {
		if err == nil {
			err = v.Add(path, bytes.NewReader(bytes.Repeat([]byte(path[:1]), int(clusters*n))), clusters*n, format.File{})
		}
	}
	mkdir := func(path string) {
		if err == nil {
			err = v.Mkdir(path, format.File{})
		}
	}
	add("A.BIN", 4)
	add("B.BIN", 6)
	add("EMPTY", 0)
	mkdir("DIR")
	add("DIR/C.BIN", 3)
	mkdir("DIR/SUB")
	add("DIR/SUB/D.BIN", 2)
	add("A name that is longer than one part.bin", 1)
	if err == nil {
		err = v.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return d
}

var kinds = []format.Options{
	{Sectors: 2880, SectorsPerCluster: 1},
	small16,
	small32,
}

// patient lets a case damage a volume by the names of its files.
type patient struct {
	t *testing.T
	d *imagetest.Disk
	v *fat.Volume
}

// file returns a copy of the entry of a path.
func (p *patient) File(path string) fat.File {
	_, tab := loaded(p.t, p.d)
	for f := range p.v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if f.Path == path {
			c := *f
			c.Chain.Runs = append([]fat.Run(nil), f.Chain.Runs...)
			return c
		}
	}
	p.t.Fatalf("no file %s", path)
	return fat.File{}
}

// nth returns the cluster n of the chain of a path.
func (p *patient) Nth(path string, n uint32) uint32 {
	for _, r := range p.File(path).Chain.Runs {
		if n < r.Count {
			return r.First + n
		}
		n -= r.Count
	}
	p.t.Fatalf("%s is too short", path)
	return 0
}

func (p *patient) link(cluster, value uint32) {
	for i := range p.v.BPB.FATs {
		putEntry(p.d, p.v, i, cluster, value)
	}
}

func (p *patient) Entry(path string, at int, b ...byte) {
	f := p.File(path)
	poke(p.d, int64(f.Place.Sector)*int64(p.d.SectorSize())+int64(f.Place.Offset+at), b...)
}

func (p *patient) cluster(path string, c uint32) {
	p.Entry(path, 26, le16(uint16(c))...)
	if p.v.Kind == fat.FAT32 {
		p.Entry(path, 20, le16(uint16(c>>16))...)
	}
}

var damages = []struct {
	name string
	do   func(p *patient)
	want string // codes of the problems, in order
	ok   bool   // clusters may still be moved
}{
	{"nothing", func(*patient) {}, "", true},
	{"loop", func(p *patient) { p.link(p.Nth("B.BIN", 5), p.Nth("B.BIN", 1)) }, "fat-chain-loop", false},
	{"self loop", func(p *patient) { p.link(p.Nth("B.BIN", 5), p.Nth("B.BIN", 5)) }, "fat-chain-loop", false},
	{"first names itself", func(p *patient) { c := p.Nth("B.BIN", 0); p.link(c, c) }, "fat-chain-loop fat-lost-chain", false},
	{"into free", func(p *patient) { p.link(p.Nth("A.BIN", 2), 1000) }, "fat-chain-into-free fat-lost-chain", false},
	{"into bad", func(p *patient) { p.link(1000, p.v.Kind.Bad()); p.link(p.Nth("A.BIN", 3), 1000) }, "fat-chain-into-bad", false},
	{"out of range", func(p *patient) { p.link(p.Nth("A.BIN", 3), p.v.Clusters+2) }, "fat-chain-outside", false},
	{"too short", func(p *patient) { p.link(p.Nth("B.BIN", 3), p.v.Kind.End()) }, "fat-chain-short fat-lost-chain", false},
	{"size 4 GiB", func(p *patient) { p.Entry("A.BIN", 28, 0xFF, 0xFF, 0xFF, 0xFF) }, "fat-chain-short", false},
	{"longer than the file", func(p *patient) { p.Entry("A.BIN", 28, 1, 0, 0, 0) }, "fat-chain-long", true},
	{"cross-linked", func(p *patient) { p.link(p.Nth("A.BIN", 3), p.Nth("B.BIN", 3)) }, "fat-chain-long fat-cross-linked fat-cross-linked", false},
	{"lost", func(p *patient) { p.link(900, 901); p.link(901, p.v.Kind.End()) }, "fat-lost-chain", true},
	{"first cluster 1", func(p *patient) { p.cluster("A.BIN", 1) }, "fat-chain-outside fat-lost-chain", false},
	{"first cluster free", func(p *patient) { p.cluster("A.BIN", 1001) }, "fat-chain-into-free fat-lost-chain", false},
	{"first cluster outside", func(p *patient) { p.cluster("A.BIN", p.v.Clusters+5) }, "fat-chain-outside fat-lost-chain", false},
	{"no first cluster", func(p *patient) { p.cluster("A.BIN", 0) }, "fat-chain-short fat-lost-chain", false},
	{"directory names itself", func(p *patient) { p.cluster("DIR/SUB", p.File("DIR").First) },
		"fat-directory-loop fat-cross-linked fat-cross-linked fat-lost-chain fat-lost-chain", false},
	{"directory loop", func(p *patient) { c := p.File("DIR").First; p.link(c, c) }, "fat-chain-loop", false},
	{"directory without cluster", func(p *patient) { p.cluster("DIR", 0) },
		"fat-chain-outside fat-lost-chain fat-lost-chain fat-lost-chain fat-lost-chain", false},
	{"wrong ..", func(p *patient) { p.dot("DIR/SUB", 1, 77) }, "fat-dot-entry-wrong", false},
	{"wrong .", func(p *patient) { p.dot("DIR", 0, 77) }, "fat-dot-entry-wrong", false},
	{"directory with size", func(p *patient) { p.Entry("DIR", 28, 1) }, "fat-directory-size", true},
}

// dot changes the cluster of the entry . (0) or .. (1).
func (p *patient) dot(dir string, n int, c uint32) {
	at := int64(p.v.Cluster(p.File(dir).First).Start)*int64(p.d.SectorSize()) + int64(32*n)
	poke(p.d, at+26, le16(uint16(c))...)
}

// Each way to break a volume is named, nothing is read that is not there, and
// fsck.fat (dosfstools) finds each of them too.
func TestDamage(t *testing.T) {
	for _, o := range kinds {
		for _, c := range damages {
			t.Run(fmt.Sprintf("%d/%s", o.Sectors, c.name), func(t *testing.T) {
				d := specimen(t, o)
				before, _ := listed(loaded(t, d))
				c.do(&patient{t, d, mustRead(t, d)})
				v, tab := loaded(t, d)
				after, hides := listed(v, tab)
				for path := range before {
					if !after[path] && !hides {
						t.Errorf("%s is not listed any more, and nothing says that files may be missing", path)
					}
				}
				h := v.Check(tab)
				var got []string
				for _, p := range h.Problems {
					got = append(got, string(p.Code))
				}
				if strings.Join(got, " ") != c.want || h.Sound() != c.ok {
					t.Errorf("%v, sound %v; want %s, %v", got, h.Sound(), c.want, c.ok)
				}
				readAll(t, v, tab)
				err := exec.Command(need.Tool(t, "fsck.fat"), "-n", saved(t, d)).Run()
				if (err != nil) != (c.name != "nothing") {
					t.Errorf("fsck.fat: %v", err)
				}
			})
		}
	}
}

// listed lists the files of a volume. hides tells whether a finding says that there
// may be others.
func listed(v *fat.Volume, tab *fat.Table) (paths map[string]bool, hides bool) {
	paths = map[string]bool{}
	w := v.NewWalk(tab, fat.WalkOptions{})
	for f := range w.Files() {
		paths[f.Path] = true
	}
	return paths, slices.ContainsFunc(w.Findings, func(f disk.Finding) bool { return f.Hides })
}

// readAll reads every file: a read fails if and only if bytes are missing.
func readAll(t *testing.T, v *fat.Volume, tab *fat.Table) {
	t.Helper()
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		c := v.Open(f)
		n, err := io.Copy(io.Discard, c.Reader())
		gone := c.Missing()
		if (err != nil) != (len(gone) > 0) || len(gone) == 1 && gone[0].Start != n {
			t.Errorf("%s: %d of %d bytes, %v, missing %v", f.Path, n, f.Size, err, gone)
		}
		if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%s: %v", f.Path, err)
		}
	}
}

func saved(t *testing.T, d *imagetest.Disk) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "volume.img")
	f, err := os.Create(path)
	if err == nil {
		err = f.Truncate(d.Size())
	}
	for off := int64(0); err == nil && off < d.Size(); {
		var start int64
		start, off = d.NextData(off)
		_, err = io.Copy(io.NewOffsetWriter(f, start), io.NewSectionReader(d, start, off-start))
	}
	if err == nil {
		err = f.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// A thousand entries that share one chain of all clusters, with a loop at its
// end, cost a bounded number of steps and not their product.
func TestSharedLoop(t *testing.T) {
	o := small32
	d := imagetest.New(disk.Sector(o.Sectors), 512)
	w, err := format.New(d, o)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 1000 {
		if err := w.Add(fmt.Sprintf("F%d", i), bytes.NewReader([]byte{1}), 1, format.File{}); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	p := &patient{t, d, mustRead(t, d)}
	first, last := uint32(3000), p.v.Clusters+1
	for c := first; c < last; c++ {
		p.link(c, c+1)
	}
	p.link(last, first+10)
	v, tab := loaded(t, d)
	if ch := tab.Follow(first); ch.Ends != fat.EndsLoop || ch.At != first+10 || ch.Clusters != last-first+1 {
		t.Errorf("the chain %s at %d after %d clusters", ch.Ends, ch.At, ch.Clusters)
	}
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		at := int64(f.Place.Sector)*512 + int64(f.Place.Offset)
		poke(d, at+26, le16(uint16(first))...)
	}
	codes := map[string]int{}
	h := v.Check(tab)
	for _, p := range h.Problems {
		codes[string(p.Code)]++
	}
	if codes["fat-chain-loop"] == 0 || codes["fat-chain-given-up"] < 900 || h.Sound() {
		t.Errorf("%v", codes)
	}
}
