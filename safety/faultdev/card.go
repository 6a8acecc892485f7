// Package faultdev is a card in memory that fails: at a given operation, by
// tearing or losing writes, by losing power with a full cache, or by lying
// about its size. It is for tests alone.
package faultdev

import (
	"errors"
	"io/fs"
	"math/rand/v2"
	"slices"
	"sync"
	"syscall"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/safety/blockdev"
)

// Fault is what goes wrong at an operation.
type Fault int

// The faults.
const (
	None   Fault = iota
	Fail         // the operation does nothing and says so
	Tear         // half of a write is done, then it fails
	Lose         // a write is not done, and the card says that it was
	Flip         // a read gives one wrong bit, or a write stores one
	Cut          // power is lost: of what was not flushed, some sectors are there, some are not
	Pull         // the card is pulled: as Cut, but everything handed over so far is there
	Others       // somebody mounts the card meanwhile: from now on Look says so
	faultN       // how many there are
)

// Faults returns all of them.
func Faults() []Fault {
	var out []Fault
	for f := Fail; f < faultN; f++ {
		out = append(out, f)
	}
	return out
}

func (f Fault) String() string {
	return [...]string{"none", "fail", "tear", "lose", "flip", "cut", "pull", "others"}[f]
}

// Lie is how a card hides that it is smaller than it says.
type Lie int

// The lies.
const (
	Honest  Lie = iota
	Repeats     // addresses beyond the real size begin again at 0
	Forgets     // writes beyond the real size are dropped, and reads give zeros
	Noise       // as Forgets, but reads give noise
)

// Card is the card. Set what should go wrong before it is used, or call After.
type Card struct {
	At    int   // the operation at which Fault happens, counted from 1; 0 for never
	Fault Fault // what happens there
	Seed  uint64
	Lie   Lie
	Real  disk.Sector // its true size, for a Lie

	Shaky  disk.Span // sectors that answer differently each time
	Bad    disk.Span // sectors that cannot be read, whatever is written to them
	Denied error     // what Forget answers; nil if it is allowed

	Volatile int64 // the card keeps the newest bytes that were written in a memory that needs power; 0 for none
	Drops    bool  // that memory never reaches the medium, also below the real size

	Facts blockdev.Facts // what Look returns

	mu       sync.Mutex
	medium   *imagetest.Disk
	cache    map[disk.Sector][]byte // written, not yet flushed
	ops      []string
	injected int // faults that did harm
	written  map[disk.Sector]int
	off      bool
	read     int64

	failWrite int // how many writes from now one fails; 0: none
	shakes    byte
	memory    map[disk.Sector][]byte // what Volatile keeps
	newest    []disk.Sector          // its sectors, oldest first; some twice
}

// New returns a blank card that calls itself removable.
func New(sectors disk.Sector, sectorSize int) *Card {
	return &Card{
		medium: imagetest.New(sectors, sectorSize), cache: map[disk.Sector][]byte{}, written: map[disk.Sector]int{},
		Facts: blockdev.Facts{Path: "/dev/card", Node: "/dev/card", Number: "8:16", Mode: fs.ModeDevice,
			Sectors: sectors, SectorSize: sectorSize, Sequence: 7,
			Identity: image.Identity{Model: "ACME CARD", Serial: "0042", Bus: "usb", Removable: true}},
	}
}

// Put sets the content of the medium.
func (c *Card) Put(at disk.Sector, b []byte) { c.medium.Put(at, b) }

// Medium returns what the card holds when power is back.
func (c *Card) Medium() image.Source { return c.medium }

// Ops returns the operations so far.
func (c *Card) Ops() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.ops)
}

// Injected returns how many faults did harm.
func (c *Card) Injected() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.injected
}

// FailWrite makes the n-th write from now fail, whatever is read before it.
func (c *Card) FailWrite(n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.failWrite = n
}

// After lets n more operations pass, while the card is in use, and makes the
// fault happen at the one after them; None takes it back.
func (c *Card) After(n int, f Fault) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.At, c.Fault = len(c.ops)+n+1, f
}

// Written returns how many sectors were written, each write counted.
func (c *Card) Written() (n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, k := range c.written {
		n += k
	}
	return n
}

// Read returns how many bytes were read.
func (c *Card) Read() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.read
}

// Restart gives power back, without faults.
func (c *Card) Restart() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.off, c.At, c.ops, c.Facts.Uses = false, 0, nil, nil
	c.memory, c.newest = nil, nil
	c.Facts.Sequence++
}

// Size implements image.Source.
func (c *Card) Size() int64 { return c.medium.Size() }

// SectorSize implements image.Source.
func (c *Card) SectorSize() int { return c.medium.SectorSize() }

var (
	errGone = &image.ReadError{Fault: image.Gone, Err: syscall.ENODEV}
	errBad  = &image.ReadError{Fault: image.BadSector, Err: syscall.EIO}
)

// op counts an operation and returns the fault that is due.
func (c *Card) op(name string) (Fault, error) {
	if c.off {
		return None, errGone
	}
	c.ops = append(c.ops, name)
	if c.failWrite > 0 && name == "write" {
		if c.failWrite--; c.failWrite == 0 {
			c.At, c.Fault = len(c.ops), Fail
		}
	}
	if len(c.ops) != c.At {
		return None, nil
	}
	switch c.Fault {
	case Pull:
		c.store(1)
		c.off = true
		c.injected++
		return Pull, errGone
	case Fail:
		c.injected++
		return Fail, errBad
	case Others:
		c.injected++
		c.Facts.Uses = append(c.Facts.Uses, blockdev.Use{How: blockdev.Mounted, What: "/media/card", Device: "/dev/card1"})
	}
	return c.Fault, nil
}

// cut loses power.
func (c *Card) cut() error {
	c.store(0.5)
	c.off = true
	c.injected++
	return errGone
}

// store puts what was not flushed on the medium, each sector by chance.
func (c *Card) store(chance float64) {
	r := rand.New(rand.NewPCG(c.Seed, uint64(c.At)))
	var at []disk.Sector
	for s := range c.cache {
		at = append(at, s)
	}
	slices.Sort(at)
	for _, s := range at {
		if r.Float64() < chance {
			c.medium.Put(s, c.cache[s])
		}
	}
	clear(c.cache)
}

// where returns where a sector really lies; false if nowhere.
func (c *Card) where(s disk.Sector) (disk.Sector, bool) {
	switch {
	case c.Lie == Honest || s < c.Real:
		return s, true
	case c.Lie == Repeats:
		return s % c.Real, true
	}
	return 0, false
}

func (c *Card) sector(s disk.Sector, b []byte) {
	if w, ok := c.memory[s]; ok {
		copy(b, w)
		return
	}
	at, ok := c.where(s)
	if !ok {
		clear(b)
		if c.Lie == Noise {
			r := rand.New(rand.NewPCG(c.Seed, uint64(s)))
			for i := range b {
				b[i] = byte(r.Uint32())
			}
		}
		return
	}
	if w, ok := c.cache[at]; ok {
		copy(b, w)
		return
	}
	if err := image.ReadFull(c.medium, b, int64(at)*int64(len(b))); err != nil {
		panic(err)
	}
}

// content reads what the card holds, in one go where it is that of the medium.
func (c *Card) content(p []byte, off int64) error {
	if c.Lie == Honest && len(c.cache) == 0 && len(c.memory) == 0 {
		return image.ReadFull(c.medium, p, off)
	}
	n := int64(c.SectorSize())
	buf := make([]byte, n)
	for done := 0; done < len(p); {
		at := off + int64(done)
		c.sector(disk.Sector(at/n), buf)
		done += copy(p[done:], buf[at%n:])
	}
	return nil
}

// IsGone tells whether err says that the card is gone.
func IsGone(err error) bool {
	var r *image.ReadError
	return errors.As(err, &r) && r.Fault == image.Gone
}
