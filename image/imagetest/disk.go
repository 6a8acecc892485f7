// Package imagetest makes disks for tests: in memory, sparse, from reviewable
// text, and with faults.
package imagetest

import (
	"fmt"
	"io"
	"sync"

	"bootgraft/image"
	"bootgraft/image/disk"
)

const page = 64 << 10

// Disk is a sparse disk in memory. What was never written reads as zeros.
type Disk struct {
	mu         sync.RWMutex
	size       int64
	sectorSize int
	pages      map[int64][]byte
}

// New returns a blank disk.
func New(sectors disk.Sector, sectorSize int) *Disk {
	return &Disk{size: int64(sectors) * int64(sectorSize), sectorSize: sectorSize, pages: map[int64][]byte{}}
}

// NewBytes returns a disk that holds b, which may end in mid-sector.
func NewBytes(b []byte, sectorSize int) *Disk {
	d := &Disk{size: int64(len(b)), sectorSize: sectorSize, pages: map[int64][]byte{}}
	if _, err := d.WriteAt(b, 0); err != nil {
		panic(err)
	}
	return d
}

// Size implements image.Source.
func (d *Disk) Size() int64 { return d.size }

// SectorSize implements image.Source.
func (d *Disk) SectorSize() int { return d.sectorSize }

// ReadAt implements image.Source.
func (d *Disk) ReadAt(p []byte, off int64) (int, error) {
	d.mu.RLock()
	defer d.mu.RUnlock()
	if off < 0 || off >= d.size {
		return 0, io.EOF
	}
	n := int(min(int64(len(p)), d.size-off))
	for i := 0; i < n; {
		at := off + int64(i)
		in := int(at % page)
		c := min(n-i, page-in)
		if b := d.pages[at/page]; b != nil {
			copy(p[i:i+c], b[in:])
		} else {
			clear(p[i : i+c])
		}
		i += c
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// WriteAt implements io.WriterAt; writing past the end is an error.
func (d *Disk) WriteAt(p []byte, off int64) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if off < 0 || off+int64(len(p)) > d.size {
		return 0, fmt.Errorf("write of %d bytes at %d is outside the disk of %d bytes", len(p), off, d.size)
	}
	for i := 0; i < len(p); {
		at := off + int64(i)
		in := int(at % page)
		c := min(len(p)-i, page-in)
		b := d.pages[at/page]
		if b == nil {
			b = make([]byte, page)
			d.pages[at/page] = b
		}
		copy(b[in:], p[i:i+c])
		i += c
	}
	return len(p), nil
}

// Put writes b at a sector and panics if it does not fit: for building tests.
func (d *Disk) Put(at disk.Sector, b []byte) {
	if _, err := d.WriteAt(b, int64(at)*int64(d.sectorSize)); err != nil {
		panic(err)
	}
}

// NextData implements image.Sparse in pages of 64 KiB.
func (d *Disk) NextData(off int64) (start, end int64) {
	d.mu.RLock()
	defer d.mu.RUnlock()
	best := d.size
	for p := range d.pages {
		if (p+1)*page > off && max(off, p*page) < best {
			best = max(off, p*page)
		}
	}
	if best >= d.size {
		return d.size, d.size
	}
	last := best / page
	for d.pages[last+1] != nil {
		last++
	}
	return best, min((last+1)*page, d.size)
}

// Faulty is a source in which some sectors cannot be read.
type Faulty struct {
	image.Source
	Bad disk.Spans
	Err error // what a read of them returns; io.ErrUnexpectedEOF if nil
}

// ReadAt fails as a whole if it touches a bad sector, as direct reads do.
func (f *Faulty) ReadAt(p []byte, off int64) (int, error) {
	n := int64(f.SectorSize())
	asked := disk.Between(disk.Sector(off/n), disk.Sector((off+int64(len(p))+n-1)/n))
	if len(f.Bad.Within(asked)) > 0 {
		if f.Err != nil {
			return 0, f.Err
		}
		return 0, io.ErrUnexpectedEOF
	}
	return f.Source.ReadAt(p, off)
}
