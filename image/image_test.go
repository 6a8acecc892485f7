package image_test

import (
	"bytes"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// pattern returns a disk whose every sector is different.
func pattern(sectors disk.Sector) *imagetest.Disk {
	d := imagetest.New(sectors, 512)
	for x := range sectors {
		b := make([]byte, 512)
		for i := range b {
			b[i] = byte(int(x)*7 + i*13 + i/256)
		}
		d.Put(x, b)
	}
	return d
}

func TestOpenRefuses(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "a.img")
	if err := os.WriteFile(file, make([]byte, 1000), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, size := range []int{0, 1, 511, 513, 256, 8192, -512} {
		if f, err := image.Open(file, size); err == nil {
			f.Close()
			t.Errorf("a sector size of %d is accepted", size)
		}
	}
	var kind *image.NotRegularError
	if _, err := image.Open(dir, 512); !errors.As(err, &kind) || kind.Kind != "a folder" {
		t.Errorf("a folder: %v", err)
	}
	if _, err := image.Open(filepath.Join(dir, "none"), 512); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
}

// TestShrunkFile: a file that becomes shorter while it is read is an error,
// never a silent end.
func TestShrunkFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.img")
	if err := os.WriteFile(path, make([]byte, 128<<10), 0o644); err != nil {
		t.Fatal(err)
	}
	f, err := image.Open(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := os.Truncate(path, 1024); err != nil {
		t.Fatal(err)
	}
	for _, s := range []disk.Span{{Start: 1, Count: 4}, {Start: 2, Count: 254}} {
		if _, err = image.ReadSectors(f, s); err == nil || errors.Is(err, io.EOF) {
			t.Errorf("reading %s past the new end: %v", s, err)
		}
	}
	// To the kernel all behind the new end is a hole, as lseek(2) says of SEEK_DATA.
	err = image.Runs(t.Context(), f, image.Whole(f), image.Visitor{Hole: func(s disk.Span) {
		t.Errorf("what was cut off counts as the hole %s", s)
	}})
	if err == nil || errors.Is(err, io.EOF) {
		t.Errorf("visiting what was cut off: %v", err)
	}
}

// boastful fills every buffer, and says that it failed.
type boastful struct{ err error }

func (b boastful) ReadAt(p []byte, _ int64) (int, error) { return len(p), b.err }

// What comes with an error is no data.
func TestReadFullWithError(t *testing.T) {
	if err := image.ReadFull(boastful{io.EOF}, make([]byte, 8), 0); err != nil {
		t.Errorf("a source that ends right there: %v", err) // as io.ReaderAt allows
	}
	bad := &image.ReadError{Fault: image.BadSector, Err: io.ErrUnexpectedEOF}
	var got *image.ReadError
	if err := image.ReadFull(boastful{bad}, make([]byte, 8), 0); !errors.As(err, &got) {
		t.Errorf("a failed read gives data: %v", err)
	}
}

func TestReadSectorsBounds(t *testing.T) {
	d := pattern(10)
	for _, s := range []disk.Span{{Start: -1, Count: 1}, {Start: 0, Count: -1}, {Start: 10, Count: 1}, {Start: 9, Count: 2}, {Start: 1 << 62, Count: 1 << 62}} {
		if b, err := image.ReadSectors(d, s); err == nil {
			t.Errorf("%s: %d bytes and no error", s, len(b))
		}
	}
	huge := imagetest.New(1<<40, 512)
	if _, err := image.ReadSectors(huge, disk.Span{Count: 1 << 40}); err == nil {
		t.Error("a read of everything was tried")
	}
	b, err := image.ReadSectors(d, disk.Span{Start: 3, Count: 2})
	if err != nil || len(b) != 1024 || b[0] != 21 {
		t.Errorf("%d bytes, %v", len(b), err)
	}
}

// TestUnknownIsNotData: no read returns anything for a sector that is not
// known, through whatever stands before it.
func TestUnknownIsNotData(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const n = 40
		var unknown disk.Spans
		for range rapid.IntRange(1, 4).Draw(t, "spans") {
			start := disk.Sector(rapid.IntRange(0, n-1).Draw(t, "start"))
			unknown = unknown.Union(disk.Spans{disk.Between(start, min(n, start+disk.Sector(rapid.IntRange(1, 6).Draw(t, "count"))))})
		}
		known := image.NewKnown(pattern(n), unknown, func(disk.Sector) image.State { return image.Missing })
		w := disk.Span{Start: disk.Sector(rapid.IntRange(0, 20).Draw(t, "window")), Count: 20}
		views := map[string]struct {
			src  image.Source
			base disk.Sector
		}{
			"known": {known, 0}, "window": {image.NewWindow(known, w), w.Start}, "lens": {image.NewLens(known, image.Swap32), 0},
		}
		for name, v := range views {
			off := rapid.Int64Range(0, v.src.Size()-1).Draw(t, name+" offset")
			p := make([]byte, rapid.IntRange(1, 3000).Draw(t, name+" bytes"))
			_, err := v.src.ReadAt(p, off)
			end := min(off+int64(len(p)), v.src.Size())
			touched := disk.Between(disk.Sector(off/512), disk.Sector((end+511)/512))
			touched.Start += v.base
			hit := unknown.Within(touched)
			var u *image.UnknownError
			switch {
			case len(hit) == 0 && err != nil && !errors.Is(err, io.EOF):
				t.Fatalf("%s: known sectors: %v", name, err)
			case len(hit) > 0 && !errors.As(err, &u):
				t.Fatalf("%s: sectors %s of %v are not known, and the read says %v", name, touched, hit, err)
			case len(hit) > 0 && (u.Start+v.base != hit[0].Start || u.State != image.Missing):
				t.Fatalf("%s: the error names %s, want %s", name, u.Span, hit[0])
			}
		}
	})
}

// TestKnownHoles: an unknown sector counts as stored, so that nobody takes it
// for zeros.
func TestKnownHoles(t *testing.T) {
	d := imagetest.New(10000, 512)
	d.Put(9000, bytes.Repeat([]byte{1}, 512))
	k := image.NewKnown(d, disk.Spans{{Start: 100, Count: 5}}, nil)
	start, end := k.NextData(0)
	if start != 100*512 || end != 105*512 {
		t.Errorf("first stored run %d to %d, want the unknown sectors", start, end)
	}
	if start, _ := k.NextData(end); start > 9000*512 || start < 105*512 {
		t.Errorf("next stored run begins at %d", start)
	}
	if got := image.Unknown(k, disk.Span{Start: 102, Count: 100}); len(got) != 1 || got[0] != (disk.Span{Start: 102, Count: 3}) {
		t.Errorf("unknown: %v", got)
	}
}

// TestLens: values worked by hand from the words themselves.
func TestLens(t *testing.T) {
	b := make([]byte, 512)
	copy(b, "RIFF\x55\xAAABCD")
	for _, c := range []struct {
		order image.Order
		want  string
	}{
		{image.Plain, "RIFF\x55\xAAABCD"}, {image.Swap16, "IRFF\xAA\x55BADC"}, {image.Swap32, "FFIRBA\xAA\x55\x00\x00DC"},
	} {
		l := image.NewLens(imagetest.NewBytes(b, 512), c.order)
		got := make([]byte, len(c.want))
		if _, err := l.ReadAt(got, 0); err != nil || string(got) != c.want {
			t.Errorf("%s: %q, want %q (%v)", c.order, got, c.want, err)
		}
		for off := range 9 {
			one := make([]byte, 1)
			if _, err := l.ReadAt(one, int64(off)); err != nil || one[0] != c.want[off] {
				t.Errorf("%s: byte %d alone is %q", c.order, off, one)
			}
		}
	}
}

// TestReadsOfHoles: wherever a read begins and ends, of a file with holes it gives what
// os.ReadFile gives.
func TestReadsOfHoles(t *testing.T) {
	const size = 4<<20 + 512
	for _, seed := range need.Seeds(5, 50) {
		r := rand.New(rand.NewPCG(uint64(seed), 0))
		path := filepath.Join(t.TempDir(), "sparse.img")
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		err = f.Truncate(size)
		for range r.IntN(6) {
			_, werr := f.WriteAt([]byte("stored"), r.Int64N(size-6))
			err = errors.Join(err, werr)
		}
		want, rerr := os.ReadFile(path)
		src, oerr := image.Open(path, 512)
		if err := errors.Join(err, f.Close(), rerr, oerr); err != nil {
			t.Fatal(err)
		}
		for range 200 {
			off := r.Int64N(size + 1)
			p := bytes.Repeat([]byte{0xA5}, r.IntN(1<<20))
			n, err := src.ReadAt(p, off)
			end := min(off+int64(len(p)), size)
			if ends := err == io.EOF; err != nil && !ends || int64(n) != end-off || !bytes.Equal(p[:n], want[off:end]) {
				t.Fatalf("seed %d: %d bytes at %d: %d, %v", seed, len(p), off, n, err)
			}
		}
		if err := src.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestHoles: what the file system stores is found, and only that is read.
func TestHoles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "sparse.img")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(64 << 20); err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteAt([]byte("here"), 32<<20); err != nil {
		t.Fatal(err)
	}
	src, err := image.Open(path, 512)
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	start, end := src.NextData(0)
	if start > 32<<20 || end < 32<<20+4 {
		t.Errorf("stored run %d to %d does not hold what was written", start, end)
	}
	if start, end := src.NextData(64 << 20); start != 64<<20 || end != 64<<20 {
		t.Errorf("at the end: %d to %d", start, end)
	}
	w := image.NewWindow(src, disk.Span{Start: 65536, Count: 100})
	if start, end := w.NextData(0); start != 0 || end <= 0 || end > w.Size() {
		t.Errorf("window: stored run %d to %d of %d", start, end, w.Size())
	}
}
