package capture

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// counting counts what is read of an image, and knows its holes.
type counting struct {
	File
	read *atomic.Int64
}

func (c counting) ReadAt(p []byte, off int64) (int, error) {
	c.read.Add(int64(len(p)))
	return c.File.ReadAt(p, off)
}

func (c counting) NextData(off int64) (start, end int64) { return c.File.(image.Sparse).NextData(off) }

// countingDisk counts what is read of every file that it makes or opens.
type countingDisk struct {
	Disk
	name string
	read *atomic.Int64
}

func (d countingDisk) counted(name string, f File, err error) (File, error) {
	if err == nil && name == d.name {
		return counting{f, d.read}, nil
	}
	return f, err
}

func (d countingDisk) Open(name string) (File, error) {
	f, err := d.Disk.Open(name)
	return d.counted(name, f, err)
}

func (d countingDisk) Create(name string) (File, error) {
	f, err := d.Disk.Create(name)
	return d.counted(name, f, err)
}

// sliceDrive is a FileDrive of bytes in memory.
type sliceDrive struct {
	*bytes.Reader
	size int64
}

func (d sliceDrive) Size() int64              { return d.size }
func (d sliceDrive) SectorSize() int          { return 512 }
func (d sliceDrive) Identity() image.Identity { return image.Identity{} }

func driveOf(b []byte) Drive { return sliceDrive{bytes.NewReader(b), int64(len(b))} }

// content is size bytes, no two sectors of which are the same.
func content(size int) []byte {
	b := make([]byte, size)
	for i := range size / 512 {
		sum := sha256.Sum256([]byte{byte(i), byte(i >> 8), byte(i >> 16)})
		copy(b[i*512:], sum[:])
	}
	return b
}

// Of a healthy drive that is read in ascending order nothing is read back to
// hash the image, and what was read out of order is read back once.
func TestAHealthyImageIsHashedWhileItIsRead(t *testing.T) {
	const size = 40 << 20
	files := []Wish{{disk.Span{Start: 40_000, Count: 20_000}, Files}}
	for name, p := range map[string]struct {
		a    Advisor
		most int64
	}{
		"in ascending order": {nil, 0},
		"files first":        {layoutAdvisor{files}, size},
	} {
		want := content(size)
		dir := t.TempDir()
		drive := countingDisk{Disk{dir}, filepath.Join(dir, "image"), new(atomic.Int64)}
		var last int64
		watch := watchFunc(func(p Progress) {
			if p.Doing == "hashing the image file" && last == 0 {
				last = drive.read.Load()
			}
		})
		r, err := Run(context.Background(), driveOf(want), Target{Storage: drive, Image: drive.name}, Options{Looks: 1, Hash: true}, p.a, watch)
		if err != nil || r.Stop != Done || r.SHA256 == nil || *r.SHA256 != sha256.Sum256(want) {
			t.Fatalf("%s: %v, %+v", name, err, r)
		}
		if n := drive.read.Load() - last; n > 1<<20 {
			t.Errorf("%s: the last pass has read %d bytes", name, n)
		}
		// To tell the drive from another, up to 1 MiB is searched at a time.
		if n := drive.read.Load(); n > p.most+8<<20 {
			t.Errorf("%s: %d bytes of the image were read", name, n)
		}
	}
}

type watchFunc func(Progress)

func (watchFunc) Event(Event)           {}
func (f watchFunc) Progress(p Progress) { f(p) }

// Large holes are hashed, and none of them is read.
func TestHolesAreHashedWithoutReadingThem(t *testing.T) {
	const sectors = 128 << 11 // 128 MiB
	dir := t.TempDir()
	drive := countingDisk{Disk{dir}, filepath.Join(dir, "image"), new(atomic.Int64)}
	first := content(1 << 20)
	d := &holeDrive{first: first, size: sectors * 512}
	skip := []disk.Span{disk.Between(4096, sectors)}
	r, err := Run(context.Background(), d, Target{Storage: drive, Image: drive.name}, Options{Looks: 1, Hash: true, Skip: skip}, nil, nil)
	if err != nil || r.Stop != Done || r.SHA256 == nil {
		t.Fatalf("%v, %+v", err, r)
	}
	h := sha256.New()
	h.Write(first)
	for left := int64(sectors*512 - len(first)); left > 0; left -= 1 << 20 {
		h.Write(make([]byte, 1<<20))
	}
	if !bytes.Equal(h.Sum(nil), r.SHA256[:]) {
		t.Error("the digest is not that of the image")
	}
	needHoles(t)
	if n := drive.read.Load(); n > 16<<20 {
		t.Errorf("%d bytes of %d were read to hash them", n, sectors*512)
	}
}

// holeDrive is blank behind its first bytes.
type holeDrive struct {
	first []byte
	size  int64
}

func (d *holeDrive) ReadAt(p []byte, off int64) (int, error) {
	clear(p)
	if off < int64(len(d.first)) {
		copy(p, d.first[off:])
	}
	return len(p), nil
}
func (d *holeDrive) Size() int64              { return d.size }
func (d *holeDrive) SectorSize() int          { return 512 }
func (d *holeDrive) Identity() image.Identity { return image.Identity{} }

// The digest of the image is that of the file as it lies, whatever the order of
// writing: sectors that come late, that change, that are written over when they
// were hashed already.
func TestTheHashFollowsWhatIsWrittenOver(t *testing.T) {
	for name, d := range map[string]*simDrive{
		"a sector that answers differently": flakySim(20_000, 9),
		"bad sectors that heal":             healingSim(20_000, 3, 4000, 4001),
		"bad sectors":                       newSim(20_000, disk.Span{Start: 2047, Count: 2}, disk.Span{Start: 19_999, Count: 1}),
		"less than a block":                 newSim(700),
		"a block and a sector":              newSim(2049),
	} {
		m := newMemory()
		r := runSim(t, d, m, Options{Looks: 3, Hash: true, Retry: 2})
		if r.SHA256 == nil || *r.SHA256 != sha256.Sum256(m.files["image"].now) {
			t.Errorf("%s: stopped %q, the digest is not that of the image", name, r.Stop)
		}
	}
}

func flakySim(sectors disk.Sector, at ...disk.Sector) *simDrive {
	d := newSim(sectors)
	for _, x := range at {
		d.flaky[x] = true
	}
	return d
}

func healingSim(sectors disk.Sector, after int, at ...disk.Sector) *simDrive {
	d := newSim(sectors)
	for _, x := range at {
		d.bad.Set(disk.Span{Start: x, Count: 1}, true)
		d.heals[x] = after
	}
	return d
}

// What was hashed and is written over is hashed anew, by the last pass.
func TestWrittenOverMeansHashedAnew(t *testing.T) {
	const size = 5 << 20
	img := content(size)
	m := newMemory()
	f := &memFile{m: m, now: bytes.Clone(img)}
	w := newWhole(f, size, 512)
	for off := int64(0); off < 3<<20; off += 1 << 20 {
		if err := w.storing(img[off:off+1<<20], off)(); err != nil {
			t.Fatal(err)
		}
	}
	if w.hashed.Load() != 3<<20 {
		t.Fatalf("%d bytes are hashed", w.hashed.Load())
	}
	f.now[700] ^= 1
	w.overwrite(512)
	if w.hashed.Load() != 0 {
		t.Fatal("what was written over is still hashed")
	}
	g := record.Drive{Sectors: size / 512, SectorSize: 512, MissingAs: record.FillZero}
	rec, err := record.Read(bytes.NewReader(record.Opening(&record.Appender{}, g)))
	if err != nil {
		t.Fatal(err)
	}
	sum, _, err := hashAndCompare(rec, f, w, func() error { return nil })
	if err != nil || sum != sha256.Sum256(f.now) {
		t.Errorf("%v, the digest is that of what was there before", err)
	}
}

// An image that cannot be read back ends the run with the reason.
func TestAnImageThatCannotBeReadBack(t *testing.T) {
	const size = 4 << 20
	w := newWhole(unreadable{}, size, 512)
	img := content(size)
	for _, at := range []int64{1 << 20, 0} {
		stored := w.storing(img[at:at+1<<20-512], at)
		if err := stored(); err != nil {
			t.Fatal(err)
		}
	}
	for _, at := range []int64{2<<20 - 512, 1<<20 - 512} {
		if err := w.storing(img[at:at+512], at)(); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.storing(img[2<<20:3<<20], 2<<20)(); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("%v", err)
	}
}

type unreadable struct{ File }

func (unreadable) ReadAt([]byte, int64) (int, error) { return 0, io.ErrUnexpectedEOF }

// Another program that changes what an earlier run has read is found, wherever
// the hash of this run begins.
func TestSpansOfEarlierRunsAreComparedInTheLastPass(t *testing.T) {
	m := newMemory()
	d := newSim(100_000)
	d.goneAfter = 30
	if r := runSim(t, d, m, Options{Looks: 1, Hash: true}); r.Stop != DriveGone {
		t.Fatalf("stopped %q", r.Stop)
	}
	rec, err := readFrom(m.files["image.record"])
	if err != nil {
		t.Fatal(err)
	}
	known := rec.Read()
	d = newSim(100_000)
	changed := false
	d.onRead = func(s disk.Span, _ bool) { // when the run has begun
		if s.Count > 1 && !changed {
			changed = true
			m.files["image"].now[int64(known[0].Start+5)*512+9] ^= 1
		}
	}
	r := runSim(t, d, m, Options{Looks: 1, Hash: true})
	if r.Stop != ImageChanged || !slices.Contains(codes(r.Findings), "image-changed") {
		t.Errorf("stopped %q", r.Stop)
	}
}
