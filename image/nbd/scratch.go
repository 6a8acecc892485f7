package nbd

import (
	"errors"
	"sync"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// errFull says that a Scratch holds as much as it may.
var errFull = errors.New("the memory for what is written is full")

// chunk holds 32 sectors side by side, as far as they were written.
type chunk struct {
	have uint32 // a bit for each
	data []byte
}

// chunkSectors is how many sectors one chunk holds: a bit for each in a uint32.
const chunkSectors = 32

// scratch is a source that can be written to. What is written stays in memory and
// is gone with it; the source below is only read. It may be used from several
// goroutines at once.
type scratch struct {
	below image.Source
	most  int64 // bytes that may be kept, in whole chunks

	mu     sync.RWMutex
	chunks map[disk.Sector]*chunk // by first sector / chunkSectors
	kept   int64
}

// newScratch lays a memory of so many bytes, at most, over a source.
func newScratch(below image.Source, most int64) *scratch {
	return &scratch{below: below, most: most, chunks: map[disk.Sector]*chunk{}}
}

// Size implements image.Source.
func (s *scratch) Size() int64 { return s.below.Size() }

// SectorSize implements image.Source.
func (s *scratch) SectorSize() int { return s.below.SectorSize() }

// Written returns the sectors that were written.
func (s *scratch) Written() disk.Spans {
	s.mu.RLock()
	defer s.mu.RUnlock()
	var out []disk.Span
	for at, c := range s.chunks {
		for i := range disk.Sector(chunkSectors) {
			if c.have>>i&1 == 1 {
				out = append(out, disk.Span{Start: at*chunkSectors + i, Count: 1})
			}
		}
	}
	return disk.SpansFrom(out)
}

// ReadAt implements io.ReaderAt.
func (s *scratch) ReadAt(p []byte, off int64) (int, error) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	done := 0
	for done < len(p) {
		n, ours := s.run(off+int64(done), len(p)-done)
		part := p[done : done+n]
		if ours {
			s.copyOut(part, off+int64(done))
		} else if got, err := s.below.ReadAt(part, off+int64(done)); got < n {
			return done + got, err
		}
		done += n
	}
	return done, nil
}

// run returns how many bytes from off on, up to n, are all written ones or all
// those of the source.
func (s *scratch) run(off int64, n int) (bytes int, ours bool) {
	size := int64(s.SectorSize())
	x := disk.Sector(off / size)
	ours = s.has(x)
	end := off + int64(n)
	at := (int64(x) + 1) * size
	for at < end && s.has(disk.Sector(at/size)) == ours {
		at += size
	}
	return int(min(at, end) - off), ours
}

func (s *scratch) has(x disk.Sector) bool {
	c := s.chunks[x/chunkSectors]
	return c != nil && c.have>>(x%chunkSectors)&1 == 1
}

// copyOut copies written bytes, all of which are there.
func (s *scratch) copyOut(p []byte, off int64) {
	whole := int64(s.SectorSize()) * chunkSectors
	for len(p) > 0 {
		n := copy(p, s.chunks[disk.Sector(off/whole)].data[off%whole:])
		p, off = p[n:], off+int64(n)
	}
}

// WriteAt implements io.WriterAt. A sector of which only a part is written is read
// first. The error is ErrFull, that of such a read, or io.EOF past the end.
func (s *scratch) WriteAt(p []byte, off int64) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	size := int64(s.SectorSize())
	done := 0
	for done < len(p) {
		at := off + int64(done)
		n := int(min(size-at%size, int64(len(p)-done)))
		if err := s.put(p[done:done+n], at); err != nil {
			return done, err
		}
		done += n
	}
	return done, nil
}

// put writes a sector, or a part of one.
func (s *scratch) put(p []byte, off int64) error {
	size := int64(s.SectorSize())
	x := disk.Sector(off / size)
	part := int64(len(p)) < size && !s.has(x)
	var before []byte
	if part {
		before = make([]byte, size)
		err := image.ReadFull(s.below, before, int64(x)*size)
		var unknown *image.UnknownError
		if err != nil && (!errors.As(err, &unknown) || unknown.State != image.Left) {
			return err
		}
	}
	c := s.chunks[x/chunkSectors]
	if c == nil {
		if s.kept += size * chunkSectors; s.kept > s.most {
			s.kept -= size * chunkSectors
			return errFull
		}
		c = &chunk{data: make([]byte, size*chunkSectors)}
		s.chunks[x/chunkSectors] = c
	}
	in := int64(x%chunkSectors) * size
	copy(c.data[in:], before)
	copy(c.data[in+off%size:], p)
	c.have |= 1 << (x % chunkSectors)
	return nil
}
