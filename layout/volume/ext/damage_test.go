package ext

import (
	"errors"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// scene is a fixture that a test damages, with where things lie in it.
type scene struct {
	t     *testing.T
	d     *imagetest.Disk
	files map[string]File
	r     *blocks
}

func newScene(t *testing.T, name string) *scene {
	t.Helper()
	s := &scene{t: t, d: fixture(t, name), files: map[string]File{}}
	v, err := Read(s.d)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := v.walk(func(f File) error { s.files[f.Path] = f; return nil }); err != nil {
		t.Fatal(err)
	}
	s.r = v.blocks()
	return s
}

// inode returns the byte of the volume where the inode of a file lies.
func (s *scene) inode(path string) int64 {
	n, err := s.r.inode(s.files[path].Inode)
	if err != nil {
		s.t.Fatal(err)
	}
	return n.byteAt
}

// data returns the byte of the volume where a file's contents begin.
func (s *scene) data(path string) int64 {
	e := s.files[path].Extents[0]
	return int64(e.Sectors.Start)*512 + int64(e.Skip)
}

// entry returns the byte of the volume where a directory names a file.
func (s *scene) entry(dir, name string) int64 {
	b, err := s.r.read(uint64(s.data(dir) / 1024))
	if err != nil {
		s.t.Fatal(err)
	}
	for off := 0; off < len(b); off += int(le.Uint16(b[off+4:])) {
		if string(b[off+8:][:b[off+6]]) == name {
			return s.data(dir) + int64(off)
		}
	}
	s.t.Fatalf("%s is not in %s", name, dir)
	return 0
}

func (s *scene) put32(off int64, n uint32) { poke(s.t, s.d, off, le.AppendUint32(nil, n)...) }

// TestDamage: each case breaks one thing. Everything else is still read.
func TestDamage(t *testing.T) {
	for _, tc := range []struct {
		what, image string
		harm        func(s *scene)
		lost        []string // files with Err, or no longer listed
		code        string   // the one finding of the walk
	}{
		{"a double indirect block that holds only itself", "ext2", func(s *scene) {
			area := s.inode("holes") + blockArea
			own := uint32(s.data("holes") / 1024)
			s.put32(area+4*13, own)
			s.put32(area-blockArea+4, 40<<20)
			for i := range int64(256) {
				s.put32(int64(own)*1024+4*i, own)
			}
		}, []string{"holes"}, ""},
		{"a pointer beyond the volume", "ext2", func(s *scene) { s.put32(s.inode("big")+blockArea, 4000) }, []string{"big"}, ""},
		{"a size of 2^60", "ext2", func(s *scene) { s.put32(s.inode("big")+0x6C, 1<<28) }, []string{"big"}, ""},
		{"an extent node of the wrong magic", "ext4", func(s *scene) { s.put32(s.inode("big")+blockArea, 0) }, []string{"big"}, ""},
		{"an extent tree that leads to its own root", "ext4", func(s *scene) {
			area := s.inode("big") + blockArea
			s.put32(area+4, 1<<16|4) // level 1
			s.put32(area+16, uint32(area/1024))
		}, []string{"big"}, ""},
		{"an extent tree without end", "ext4", func(s *scene) { s.put32(s.inode("big")+blockArea+4, 0xFFFF0004) }, []string{"big"}, ""},
		{"more extents than fit", "ext4", func(s *scene) { s.put32(s.inode("big")+blockArea, 200<<16|extentMagic) }, []string{"big"}, ""},
		{"an extent of no blocks", "ext4", func(s *scene) { poke(s.t, s.d, s.inode("big")+blockArea+16, 0, 0) }, []string{"big"}, ""},
		{"inline data longer than their place", "inline", func(s *scene) { s.put32(s.inode("sub/note")+4, 999) }, []string{"sub/note"}, ""},
		{"an entry that names a free inode", "ext2", func(s *scene) { s.put32(s.entry(".", "big"), 24) }, []string{"big"}, "ext-directory-damaged"},
		{"an entry that names no inode at all", "ext2", func(s *scene) { s.put32(s.entry(".", "big"), 99) }, []string{"big"}, "ext-directory-damaged"},
		{"a directory whose extent tree is damaged", "ext4", func(s *scene) { s.put32(s.inode("sub")+blockArea, 0) }, []string{"sub", "sub/note", "sub/deeper", "sub/deeper/empty"}, "ext-directory-damaged"},
		{"a directory that is of no kind", "ext2", func(s *scene) { poke(s.t, s.d, s.inode("sub"), 0, 0) }, []string{"sub", "sub/note", "sub/deeper", "sub/deeper/empty"}, "ext-directory-damaged"},
		{"a directory that holds the root", "ext4", func(s *scene) { s.put32(s.entry("sub", "deeper"), rootInode) }, []string{"sub/deeper/empty"}, "ext-directory-loop"},
		{"a directory that holds itself", "ext2", func(s *scene) { s.put32(s.entry("sub", "deeper"), s.files["sub"].Inode) }, []string{"sub/deeper/empty"}, "ext-directory-loop"},
		{"an entry of length 0", "ext2", func(s *scene) { poke(s.t, s.d, s.data("sub")+4, 0, 0) }, []string{"sub/note", "sub/deeper", "sub/deeper/empty"}, "ext-directory-damaged"},
		{"a name with a slash", "ext2", func(s *scene) { poke(s.t, s.d, s.entry("sub", "note")+8, '/') }, []string{"sub/note"}, "ext-bad-name"},
	} {
		t.Run(tc.what, func(t *testing.T) {
			s := newScene(t, tc.image)
			tc.harm(s)
			v, err := Read(s.d)
			if err != nil {
				t.Fatal(err)
			}
			left := map[string]File{}
			findings, err := v.walk(func(f File) error { left[f.Path] = f; return nil })
			if err != nil {
				t.Fatal(err)
			}
			hides := slices.ContainsFunc(findings, func(f disk.Finding) bool { return f.Hides })
			for _, path := range tc.lost {
				f, ok := left[path]
				if !ok && !hides {
					t.Errorf("%s is not listed, and nothing says that files may be missing", path)
				}
				if ok {
					if kind, ok := fault(f.Err); !ok || kind != disk.Malformed {
						t.Errorf("%s: %v", path, f.Err)
					}
					if _, err := io.ReadAll(v.Open(f)); err == nil {
						t.Errorf("%s can be read", path)
					}
				}
				delete(s.files, path)
			}
			for path := range s.files {
				if f, ok := left[path]; !ok || f.Err != nil {
					t.Errorf("%s is lost too: %v", path, f.Err)
				}
			}
			if tc.code == "" {
				wantCodes(t, findings)
			} else {
				wantCodes(t, findings, tc.code)
			}
		})
	}
}

// TestUnknownSectors: what the source does not know is an error of what needs
// it, and of nothing else.
func TestUnknownSectors(t *testing.T) {
	s := newScene(t, "ext2")
	without := func(off int64) *Volume {
		t.Helper()
		v, err := Read(image.NewKnown(s.d, disk.Spans{{Start: disk.Sector(off / 512), Count: 1}}, nil))
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	var unknown *image.UnknownError

	v := without(s.data("big") + 5*1024)
	if _, err := v.walk(func(f File) error {
		_, err := io.ReadAll(v.Open(f))
		if bad := f.Path == "big"; bad != errors.As(err, &unknown) {
			t.Errorf("%s: %v", f.Path, err)
		}
		return nil
	}); err != nil {
		t.Error(err)
	}

	v = without(s.data("sub"))
	n := 0
	findings, err := v.walk(func(File) error { n++; return nil })
	if err != nil || n != len(s.files)-3 {
		t.Errorf("%d entries, %v", n, err)
	}
	wantCodes(t, findings, "ext-directory-unread")

	v = without(6 * 512) // the block bitmap
	if _, err := v.Used(); !errors.As(err, &unknown) {
		t.Errorf("Used: %v", err)
	}
}

// TestWalkStops: the visitor's own error comes back.
func TestWalkStops(t *testing.T) {
	v, err := Read(fixture(t, "ext2"))
	if err != nil {
		t.Fatal(err)
	}
	enough := errors.New("enough")
	n := 0
	if _, err := v.walk(func(File) error {
		if n++; n == 5 {
			return enough
		}
		return nil
	}); err != enough || n != 5 {
		t.Errorf("%d entries, %v", n, err)
	}
}

// exercise reads all that can be read of a volume, and checks what is promised
// of any bytes.
func exercise(t testing.TB, src image.Source) {
	t.Helper()
	v, err := Read(src)
	if (v == nil) == (err == nil) {
		t.Fatalf("volume %v and error %v", v, err)
	}
	if err != nil {
		return
	}
	l := v.Layout(100, 1)
	if l.Count != v.sectors() || l.Count <= 0 || len(l.Meaning) == 0 {
		t.Fatalf("layout %+v", l)
	}
	for _, s := range l.Meaning {
		if s.Start < 100 || s.End() > 100+image.Sectors(src) {
			t.Fatalf("meaning in %v of %d", s, image.Sectors(src))
		}
	}
	_, err = v.walk(func(f File) error {
		if f.Err != nil {
			return nil
		}
		if err := checkRuns(v, f); err != nil {
			t.Fatalf("%s: %v", f.Path, err)
		}
		_, _ = io.CopyN(io.Discard, v.Open(f), 64<<10)
		return nil
	})
	if _, ok := fault(err); err != nil && !ok {
		t.Fatalf("Walk: %v", err)
	}
	used, err := v.Used()
	if err == nil && (used.Sectors() > v.sectors() || len(used) > 0 && used[len(used)-1].End() > v.sectors()) {
		t.Fatalf("%d sectors in use of %d", used.Sectors(), v.sectors())
	}
}

// TestMutations changes bytes of real volumes at random: no panic, no hang,
// bounded memory.
func TestMutations(t *testing.T) {
	dir := tree(t, 40)
	for _, name := range []string{"ext2-old", "ext4-1k", "ext4-inline-512", "ext4-bigalloc"} {
		b := load(t, variantNamed(t, name).make(t, dir))
		places := stored(t, b)
		for _, seed := range need.Seeds(40, 3000) {
			rng := rand.New(rand.NewPCG(uint64(seed), 9))
			var undo [][2]int64
			for range 1 + rng.IntN(12) {
				off := places[rng.IntN(len(places))] + rng.Int64N(512)
				if rng.IntN(4) == 0 {
					off = 1024 + rng.Int64N(512)
				}
				old := make([]byte, 1)
				if err := image.ReadFull(b, old, off); err != nil {
					t.Fatal(err)
				}
				undo = append(undo, [2]int64{off, int64(old[0])})
				poke(t, b, off, byte(rng.Uint32()))
			}
			bounded(t, name, seed, func() { exercise(t, b) })
			for i := len(undo) - 1; i >= 0; i-- {
				poke(t, b, undo[i][0], byte(undo[i][1]))
			}
		}
	}
}

// stored returns where the metadata of a volume lie, in bytes: the sectors of
// the first megabyte that hold anything, and those of directories.
func stored(t *testing.T, d *imagetest.Disk) []int64 {
	t.Helper()
	var out []int64
	b := make([]byte, 512)
	for off := int64(0); off < 1<<20; off += 512 {
		if err := image.ReadFull(d, b, off); err != nil {
			t.Fatal(err)
		}
		if string(b) != string(make([]byte, 512)) {
			out = append(out, off)
		}
	}
	v, err := Read(d)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := v.walk(func(f File) error {
		if f.Mode.IsDir() {
			for _, e := range f.Extents {
				out = append(out, int64(e.Sectors.Start)*512)
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

// bounded fails the test if fn takes long or allocates without measure.
func bounded(t *testing.T, name string, seed int64, fn func()) {
	t.Helper()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	start := time.Now()
	fn()
	runtime.ReadMemStats(&after)
	if d := time.Since(start); d > 20*time.Second {
		t.Errorf("%s, seed %d: %v", name, seed, d)
	}
	if n := after.TotalAlloc - before.TotalAlloc; n > 1<<30 {
		t.Errorf("%s, seed %d: %d bytes allocated", name, seed, n)
	}
}
