package capture

import (
	"encoding/binary"
	"fmt"
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

	bad        *disk.Values[bool]
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
		bad: disk.NewValues[bool](sectors), heals: map[disk.Sector]int{}, flaky: map[disk.Sector]bool{},
		hangs: map[disk.Sector]bool{}, slow: map[disk.Sector]time.Duration{},
		touched: map[disk.Sector]int{}, covered: map[disk.Sector]int{}, again: map[disk.Sector]int{},
		release: make(chan struct{}),
		id:      image.Identity{Model: "EXAMPLE 20", Serial: "S0001", Bus: "ata"},
	}
	for _, s := range bad {
		d.bad.Set(s, true)
	}
	d.badCount = d.badSpans().Sectors()
	return d
}

func (d *simDrive) badSpans() disk.Spans { return d.bad.Spans(disk.Span{Count: d.sectors}, true) }

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
		_, hit := d.bad.First(s, true)
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
	first, ok := d.bad.First(s, true)
	if !ok {
		return nil
	}
	d.touched[first.Start]++
	for _, b := range d.bad.Spans(s, true) {
		for x := b.Start; x < b.End() && d.badCount < 1<<16; x++ {
			d.covered[x]++
		}
	}
	d.pass(time.Duration(first.Start-s.Start)*simGood + simBad)
	return &image.ReadError{Span: s, Fault: image.BadSector, Err: syscall.EIO}
}
