package capture

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"math/rand/v2"
	"sync"
	"syscall"
)

// memory is a Storage. If it is mortal its power can be cut: what was not synced
// since may be lost in any part.
type memory struct {
	mortal bool

	mu    sync.Mutex
	files map[string]*memFile
	free  int64
	ops   int // operations so far
	cutAt int // operation at which the power goes; 0: never
	limit int64
}

var errPower = errors.New("the power is off")

type memFile struct {
	m   *memory
	now []byte

	// Of a mortal one alone: it takes three times the memory.
	durable []byte
	pending []memWrite
}

type memWrite struct {
	off  int64
	data []byte
}

func newMemory() *memory { return &memory{files: map[string]*memFile{}, free: -1} }

func newMortalMemory() *memory {
	m := newMemory()
	m.mortal = true
	return m
}

func (m *memory) op() error {
	m.ops++
	if m.cutAt > 0 && m.ops >= m.cutAt {
		return errPower
	}
	return nil
}

func (m *memory) Open(name string) (File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if f := m.files[name]; f != nil {
		return f, nil
	}
	return nil, fs.ErrNotExist
}

func (m *memory) Create(name string) (File, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.op(); err != nil {
		return nil, err
	}
	if m.files[name] != nil {
		return nil, fs.ErrExist
	}
	m.files[name] = &memFile{m: m}
	return m.files[name], nil
}

func (m *memory) Remove(name string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.op(); err != nil {
		return err
	}
	delete(m.files, name)
	return nil
}

func (m *memory) Replace(name, by string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if err := m.op(); err != nil {
		return err
	}
	m.files[name] = m.files[by]
	delete(m.files, by)
	return nil
}

func (m *memory) Free() int64 { return m.free }

func (m *memory) Lacks(err error) (room, size bool) {
	return errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EFBIG)
}

// cut loses an arbitrary part of what was not synced, and puts the power on
// again. The record loses only its end, torn anywhere; that is what a file
// that only grows does.
func (m *memory) cut(rng *rand.Rand) {
	if !m.mortal {
		panic("this memory does not know what was synced")
	}
	for name, f := range m.files {
		f.now = append([]byte(nil), f.durable...)
		if keep := rng.IntN(3) == 0; keep || name != "image" {
			n := len(f.pending)
			if name != "image" && n > 0 && !keep {
				n = rng.IntN(n + 1)
			}
			for _, w := range f.pending[:n] {
				f.apply(w)
			}
			if n < len(f.pending) && name != "image" {
				w := f.pending[n]
				f.apply(memWrite{w.off, w.data[:rng.IntN(len(w.data)+1)]})
			}
		} else {
			for _, w := range f.pending {
				if rng.IntN(2) == 0 {
					f.apply(w)
				}
			}
		}
		f.durable, f.pending = append([]byte(nil), f.now...), nil
	}
	m.ops, m.cutAt = 0, 0
}

func (f *memFile) apply(w memWrite) {
	if end := int(w.off) + len(w.data); end > len(f.now) {
		f.now = append(f.now, make([]byte, end-len(f.now))...)
	}
	copy(f.now[w.off:], w.data)
}

func (f *memFile) ReadAt(p []byte, off int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if off >= int64(len(f.now)) {
		return 0, io.EOF
	}
	n := copy(p, f.now[off:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (f *memFile) WriteAt(p []byte, off int64) (int, error) {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if err := f.m.op(); err != nil {
		return 0, err
	}
	if f.m.limit > 0 {
		if f.m.limit -= int64(len(p)); f.m.limit <= 0 {
			return 0, syscall.ENOSPC
		}
	}
	f.apply(memWrite{off, p})
	if f.m.mortal {
		f.pending = append(f.pending, memWrite{off, bytes.Clone(p)})
	}
	return len(p), nil
}

func (f *memFile) Truncate(size int64) error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if err := f.m.op(); err != nil {
		return err
	}
	if size <= int64(len(f.now)) {
		f.now = f.now[:size]
	} else {
		old := f.now
		f.now = make([]byte, size) // a large hole costs nothing until it is written to
		copy(f.now, old)
	}
	if f.m.mortal {
		f.durable, f.pending = bytes.Clone(f.now), nil
	}
	return nil
}

func (f *memFile) Sync() error {
	f.m.mu.Lock()
	defer f.m.mu.Unlock()
	if err := f.m.op(); err != nil || !f.m.mortal {
		return err
	}
	if len(f.durable) < len(f.now) {
		f.durable = append(f.durable, make([]byte, len(f.now)-len(f.durable))...)
	}
	for _, w := range f.pending {
		copy(f.durable[w.off:], w.data)
	}
	f.pending = nil
	return nil
}

func (f *memFile) Size() (int64, error) { return int64(len(f.now)), nil }
func (f *memFile) Close() error         { return nil }
