package capture

import (
	"crypto/sha256"
	"hash"
	"sync/atomic"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// whole hashes the image file as it is written: from its beginning on, block by
// block, as far as every sector is one that this run has read and stored. What
// comes in order is hashed as it comes; what was read out of order is read back
// when its turn comes, while the system still has it in memory. What is missing
// at the end is left to the last pass, and so is all of it if something that was
// hashed is written over. Only the journal calls it, and after that the last
// pass.
type whole struct {
	sum    hash.Hash
	hashed atomic.Int64       // bytes, from the beginning on
	size   int64              // of the image
	sector int64              // bytes in one
	image  File               //
	have   *disk.Values[bool] // sectors that this run has stored
	late   bool               // it was written over: nothing is hashed before the last pass
	buf    []byte
}

// readBacks is how many blocks are read back at most for each that is stored: the
// hash catches up, and the drive does not wait. By hand, no source.
const readBacks = 2

func newWhole(img File, size int64, sectorSize int) *whole {
	return &whole{
		sum: sha256.New(), size: size, sector: int64(sectorSize), image: img,
		have: disk.NewValues[bool](disk.Sector(size / int64(sectorSize))),
	}
}

// beside begins to do something in another goroutine. It is done when the
// function returns that is returned.
func beside(f func()) (wait func()) {
	c := make(chan struct{})
	go func() { f(); close(c) }()
	return func() { <-c }
}

// write begins to hash the block that comes next; b belongs to it until wait
// returns.
func (w *whole) write(b []byte) (wait func()) {
	return beside(func() {
		w.sum.Write(b)
		w.hashed.Add(int64(len(b)))
	})
}

// digest returns that of all that was hashed.
func (w *whole) digest() record.Digest { return record.Digest(w.sum.Sum(nil)) }

// storing is told what is about to be stored, and hashes it, or something that
// was stored before, in the meantime. What it returns is called when it is
// stored; b belongs to it until then.
func (w *whole) storing(b []byte, off int64) (stored func() error) {
	if w == nil {
		return func() error { return nil }
	}
	w.overwrite(off)
	if w.late {
		return func() error { return nil }
	}
	var err error
	wait := func() {}
	switch next := w.hashed.Load(); {
	case off == next && int64(len(b)) == w.blockAt(off):
		wait = w.write(b)
	case w.complete(next):
		wait = beside(func() { err = w.catchUp() })
	}
	return func() error {
		wait()
		w.have.Set(w.sectors(off, int64(len(b))), true)
		return err
	}
}

// overwrite is told that the image is written at off, by whatever.
func (w *whole) overwrite(off int64) {
	if w != nil && off < w.hashed.Load() {
		w.late = true
		w.sum.Reset()
		w.hashed.Store(0)
	}
}

// catchUp hashes a few blocks of the image that come next.
func (w *whole) catchUp() error {
	if w.buf == nil {
		w.buf = make([]byte, record.BlockBytes)
	}
	for range readBacks {
		at := w.hashed.Load()
		if !w.complete(at) {
			break
		}
		in := record.Unholed{Img: w.image}
		b, err := in.Read(w.buf[:w.blockAt(at)], at)
		if err != nil {
			return err
		}
		w.write(b)()
	}
	return nil
}

// complete tells whether this run has stored all of the block at a byte.
func (w *whole) complete(at int64) bool {
	if at >= w.size {
		return false
	}
	s, ok := w.have.First(w.sectors(at, w.blockAt(at)), false)
	return !ok || s.Empty()
}

func (w *whole) blockAt(off int64) int64 { return min(record.BlockBytes, w.size-off) }

func (w *whole) sectors(off, bytes int64) disk.Span {
	return disk.Span{Start: disk.Sector(off / w.sector), Count: disk.Sector(bytes / w.sector)}
}
