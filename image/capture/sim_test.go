package capture

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"sync"
	"syscall"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// The cost model of the simulated drive: a read costs so much a sector, a bad
// spot costs seconds, and the drive stops at the first bad sector of a read.
const (
	simGood = 17 * time.Microsecond // 30 MB/s
	simBad  = 2 * time.Second
)

// simHang is what passes while the drive does not answer.
const simHang = 2 * time.Minute

// simTime is a clock that only the drive moves.
type simTime struct {
	mu      sync.Mutex
	now     time.Time
	timers  []simTimer
	hanging bool
}

type simTimer struct {
	at time.Time
	c  chan time.Time
}

func newSimTime() *simTime {
	return &simTime{now: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)}
}

func (k *simTime) Now() time.Time {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.now
}

func (k *simTime) Timer(d time.Duration) (<-chan time.Time, func()) {
	k.mu.Lock()
	defer k.mu.Unlock()
	t := simTimer{k.now.Add(d), make(chan time.Time, 1)}
	// The read may hang before its timers are made: they see the same time pass as
	// those that were made before it.
	if k.hanging && d <= simHang {
		t.c <- t.at
		return t.c, func() {}
	}
	k.timers = append(k.timers, t)
	return t.c, func() {
		k.mu.Lock()
		defer k.mu.Unlock()
		for i := range k.timers {
			if k.timers[i].c == t.c {
				k.timers = append(k.timers[:i], k.timers[i+1:]...)
				return
			}
		}
	}
}

func (k *simTime) pass(d time.Duration) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.now = k.now.Add(d)
	for _, t := range k.timers {
		if !k.now.Before(t.at) {
			select {
			case t.c <- t.at:
			default:
			}
		}
	}
}

// simDrive is a drive of invented data: every sector has its own content.
type simDrive struct {
	*simTime
	sectors    disk.Sector
	sectorSize int
	id         image.Identity
	seed       uint64

	bad        *runs[bool]
	badCount   disk.Sector
	heals      map[disk.Sector]int  // fails so often, then is good
	flaky      map[disk.Sector]bool // answers differently every third time
	hangs      map[disk.Sector]bool // never returns
	wellBefore int                  // so many reads of them do
	slow       map[disk.Sector]time.Duration
	goneAfter  int         // reads after which the drive is gone; -1: never
	mute       bool        // when gone it answers EIO, not ENODEV
	swapAt     int         // read at which another drive is in its place; 0: never
	common     disk.Sector // that it has in common with the drive of seed 1, from the start
	differs    disk.Span   // holds something else than the seed says
	shrinkAt   int         // read at which it becomes half as large; 0: never
	onRead     func(s disk.Span, failed bool)

	mu      sync.Mutex
	reads   int
	touched map[disk.Sector]int // visits of bad sectors: the first of each read
	covered map[disk.Sector]int // how often a read asked for a bad sector
	hung    int
	again   map[disk.Sector]int
	release chan struct{}
}

func newSim(sectors disk.Sector, bad ...disk.Span) *simDrive {
	d := &simDrive{
		simTime: newSimTime(), sectors: sectors, sectorSize: 512, seed: 1, goneAfter: -1,
		bad: newRuns[bool](sectors), heals: map[disk.Sector]int{}, flaky: map[disk.Sector]bool{},
		hangs: map[disk.Sector]bool{}, slow: map[disk.Sector]time.Duration{},
		touched: map[disk.Sector]int{}, covered: map[disk.Sector]int{}, again: map[disk.Sector]int{},
		release: make(chan struct{}),
		id:      image.Identity{Model: "EXAMPLE 20", Serial: "S0001", Bus: "ata"},
	}
	for _, s := range bad {
		d.bad.set(s, true)
	}
	d.badCount = d.badSpans().Sectors()
	return d
}

func (d *simDrive) badSpans() disk.Spans { return d.bad.spans(disk.Span{Count: d.sectors}, true) }

// Size is that of the moment: the system knows when a drive shrinks.
func (d *simDrive) Size() int64 {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.shrinkAt > 0 && d.reads >= d.shrinkAt {
		return int64(d.sectors/2) * int64(d.sectorSize)
	}
	return int64(d.sectors) * int64(d.sectorSize)
}
func (d *simDrive) SectorSize() int          { return d.sectorSize }
func (d *simDrive) Identity() image.Identity { return d.id }

// content fills b with what sector x holds.
//
// The race detector need not see each of its writes: they go to the caller's
// buffer, and there are very many.
//
//go:norace
func (d *simDrive) content(b []byte, x disk.Sector) {
	seed := d.seed
	switch {
	case d.differs.Holds(x):
		seed = 7
	case x < d.common:
		seed = 1
	}
	v := (uint64(x)+1)*0x9E3779B97F4A7C15 ^ seed
	for i := 0; i < len(b); i += 8 {
		v = v*6364136223846793005 + 1442695040888963407
		binary.LittleEndian.PutUint64(b[i:], v)
	}
}

func (d *simDrive) ReadAt(p []byte, off int64) (int, error) {
	n := int64(d.sectorSize)
	s := disk.Span{Start: disk.Sector(off / n), Count: disk.Sector(int64(len(p)) / n)}
	if off%n != 0 || int64(len(p))%n != 0 || s.End() > d.sectors {
		panic(fmt.Sprintf("a read of %d bytes at %d", len(p), off))
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.onRead != nil {
		_, hit := d.bad.next(s, true)
		d.onRead(s, hit)
	}
	d.reads++
	if d.swapAt > 0 && d.reads >= d.swapAt {
		d.seed = 99
	}
	if d.shrinkAt > 0 && d.reads >= d.shrinkAt && s.End() > d.sectors/2 {
		return 0, &image.ReadError{Span: s, Fault: image.BadSector, Err: syscall.EIO}
	}
	if d.goneAfter >= 0 && d.reads > d.goneAfter {
		err := &image.ReadError{Span: s, Fault: image.Gone, Err: syscall.ENODEV}
		if d.mute {
			err = &image.ReadError{Span: s, Fault: image.BadSector, Err: syscall.EIO}
		}
		d.pass(time.Millisecond)
		return 0, err
	}
	if err := d.visit(s); err != nil {
		return 0, err
	}
	for i := range s.Count {
		b := p[int64(i)*n : int64(i+1)*n]
		d.content(b, s.Start+i)
		if d.flaky[s.Start+i] {
			if d.again[s.Start+i]++; d.again[s.Start+i]%3 == 1 {
				b[17] ^= 0x40
			}
		}
	}
	d.pass(time.Duration(s.Count) * simGood)
	return len(p), nil
}

// visit finds the first sector of a read that is not good, and pays for it.
func (d *simDrive) visit(s disk.Span) error {
	for x := range d.hangs {
		if s.Holds(x) && d.wellBefore > 0 {
			d.wellBefore--
		} else if s.Holds(x) {
			d.hung++
			d.simTime.mu.Lock()
			d.hanging = true
			d.simTime.mu.Unlock()
			d.pass(simHang)
			d.mu.Unlock()
			<-d.release
			d.mu.Lock()
			return &image.ReadError{Span: s, Fault: image.Gone, Err: syscall.ENODEV}
		}
	}
	for x, t := range d.slow {
		if s.Holds(x) {
			d.pass(t)
		}
	}
	for x := range d.heals {
		if s.Holds(x) && d.heals[x] > 0 {
			d.heals[x]--
			d.pass(simBad)
			return &image.ReadError{Span: s, Fault: image.BadSector, Err: syscall.EIO}
		}
	}
	first, ok := d.bad.next(s, true)
	if !ok {
		return nil
	}
	d.touched[first.Start]++
	for _, b := range d.bad.spans(s, true) {
		for x := b.Start; x < b.End() && d.badCount < 1<<16; x++ {
			d.covered[x]++
		}
	}
	d.pass(time.Duration(first.Start-s.Start)*simGood + simBad)
	return &image.ReadError{Span: s, Fault: image.BadSector, Err: syscall.EIO}
}

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
		return 0, fmt.Errorf("end of file")
	}
	n := copy(p, f.now[off:])
	if n < len(p) {
		return n, fmt.Errorf("end of file")
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
