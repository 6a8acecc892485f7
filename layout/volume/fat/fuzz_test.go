package fat_test

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/volume/fat"
)

// fixture reads a volume that mkfs.fat and mtools made.
func fixture(t testing.TB, name string) *imagetest.Disk {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "testdata", "fat", name+".txt"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d, err := imagetest.Parse(f)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

var fixtures = []string{"fat12", "fat16", "fat32"}

// The fixtures hold what their README says.
func TestFixtures(t *testing.T) {
	for _, name := range fixtures {
		v, tab := loaded(t, fixture(t, name))
		h := v.Check(tab)
		if v.Kind.String() != name || h.Files != 5 || h.Dirs != 2 || h.Total != 0 || h.Deleted != 1 || v.ID() != "0BAD-CAFE" {
			t.Errorf("%s: %s %s, %+v", name, v.Kind, v.ID(), h)
		}
		for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
			b, err := io.ReadAll(v.Open(f).Reader())
			if err != nil || f.Name == "HELLO.TXT" && string(b) != "hello, old drive\n" {
				t.Errorf("%s/%s: %q, %v", name, f.Path, b, err)
			}
		}
	}
}

// exercise runs everything on a source. Whatever the bytes, it must come back.
func exercise(t *testing.T, src image.Source) {
	v, err := fat.Read(src)
	if (err == nil) != (v != nil) {
		t.Fatal("a volume with an error, or neither")
	}
	if err != nil {
		return
	}
	v.Layout(0, 0)
	v.CheckPlace(0, image.Sectors(src))
	tab, err := v.LoadTable(v.Active)
	if err != nil {
		return
	}
	if len(tab.Entries) > 8*int(src.Size())/int(v.Kind) {
		t.Fatalf("%d entries from %d bytes", len(tab.Entries), src.Size())
	}
	h := v.Check(tab)
	if sum := h.Used + h.Free + h.Bad + h.Unknown; sum != tab.Clusters {
		t.Fatalf("%d clusters are counted of %d", sum, tab.Clusters)
	}
	v.References(tab)
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		c := v.Open(f)
		var missing int64
		for _, m := range c.Missing() {
			missing += m.Count
		}
		if missing > f.Size || f.Name == "" || f.Name == ".." {
			t.Fatalf("%q: %d bytes missing of %d", f.Path, missing, f.Size)
		}
		var b [100]byte
		if n, _ := c.ReadAt(b[:], max(0, f.Size-50)); int64(n) > f.Size {
			t.Fatalf("%q: read %d bytes of %d", f.Path, n, f.Size)
		}
	}
}

func FuzzBoot(f *testing.F) {
	var rest [3]*imagetest.Disk
	for i, name := range fixtures {
		rest[i] = fixture(f, name)
		b, err := image.ReadSectors(rest[i], disk.Span{Count: 1})
		if err != nil {
			f.Fatal(err)
		}
		f.Add(byte(i), b)
	}
	f.Fuzz(func(t *testing.T, which byte, boot []byte) {
		exercise(t, &patched{Disk: rest[int(which)%3], at: 0, b: boot[:min(len(boot), 512)]})
	})
}

// FuzzWalk changes bytes of tables and directories: each three bytes of the
// input are a place and a value.
func FuzzWalk(f *testing.F) {
	var base [3]*imagetest.Disk
	var places [3][]int64
	for i, name := range fixtures {
		base[i] = fixture(f, name)
		places[i] = meaningful(f, base[i])
	}
	f.Add(byte(0), []byte{0, 3, 0xFF, 0, 4, 2})
	f.Add(byte(1), []byte{2, 0x1A, 2, 1, 0, 0})
	f.Add(byte(2), []byte{0, 8, 2, 2, 0x1A, 3})
	f.Fuzz(func(t *testing.T, which byte, changes []byte) {
		src := &patched{Disk: base[int(which)%3], single: map[int64]byte{}}
		at := places[int(which)%3]
		for ; len(changes) >= 3; changes = changes[3:] {
			src.single[at[(int(changes[0])<<8|int(changes[1]))%len(at)]] = changes[2]
		}
		exercise(t, src)
	})
}

// meaningful lists the bytes of the table's first sector and of directories.
func meaningful(t testing.TB, d *imagetest.Disk) []int64 {
	v, tab := loaded(t, d)
	spans := []disk.Span{{Start: v.TableSpan(0).Start, Count: 1}}
	if v.Kind != fat.FAT32 {
		spans = append(spans, disk.Span{Start: v.RootSpan().Start, Count: 1})
	} else {
		spans = append(spans, v.Cluster(v.BPB.RootCluster))
	}
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if f.Dir {
			spans = append(spans, f.Extents()...)
		}
	}
	var out []int64
	for _, s := range spans {
		for off := int64(s.Start) * 512; off < int64(s.End())*512; off++ {
			out = append(out, off)
		}
	}
	return out
}

// patched is a disk with some bytes changed.
type patched struct {
	*imagetest.Disk
	at     int64
	b      []byte
	single map[int64]byte
}

func (p *patched) ReadAt(b []byte, off int64) (int, error) {
	n, err := p.Disk.ReadAt(b, off)
	for i, v := range p.b {
		if at := p.at + int64(i) - off; at >= 0 && at < int64(n) {
			b[at] = v
		}
	}
	for where, v := range p.single {
		if at := where - off; at >= 0 && at < int64(n) {
			b[at] = v
		}
	}
	return n, err
}
