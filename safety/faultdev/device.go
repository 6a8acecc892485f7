package faultdev

import (
	"fmt"
	"io"
	"slices"
	"syscall"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/blockdev"
)

// ReadAt implements image.Source.
func (c *Card) ReadAt(p []byte, off int64) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f, err := c.op("read")
	if err != nil {
		return 0, err
	}
	if f == Cut {
		return 0, c.cut()
	}
	n := int64(c.SectorSize())
	if off < 0 || off >= c.Size() {
		return 0, io.EOF
	}
	want := min(int64(len(p)), c.Size()-off)
	if touched := disk.Between(disk.Sector(off/n), disk.Sector((off+want+n-1)/n)); !touched.Common(c.Bad).Empty() {
		return 0, &image.ReadError{Span: touched, Fault: image.BadSector, Err: syscall.EIO}
	}
	if err := c.content(p[:want], off); err != nil {
		return 0, err
	}
	for i := int64(0); i < want && !c.Shaky.Empty(); i++ {
		if at := disk.Sector((off + i) / n); at >= c.Shaky.Start && at < c.Shaky.End() {
			c.shakes++
			p[i] ^= c.shakes
			i += n - 1
		}
	}
	c.read += want
	if f == Flip {
		c.injected++
		p[want/2] ^= 0x10
	}
	if want < int64(len(p)) {
		return int(want), io.EOF
	}
	return int(want), nil
}

// WriteAt implements io.WriterAt: whole sectors only.
func (c *Card) WriteAt(p []byte, off int64) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := int64(c.SectorSize())
	if off < 0 || off%n != 0 || int64(len(p))%n != 0 || off+int64(len(p)) > c.Size() {
		return 0, fmt.Errorf("a write of %d bytes at %d is not whole sectors of the card", len(p), off)
	}
	f, err := c.op("write")
	if err != nil {
		return 0, err
	}
	if f == Flip {
		p = slices.Clone(p)
		p[len(p)/2] ^= 0x10
		c.injected++
	}
	for i := int64(0); i < int64(len(p)); i += n {
		if f == Tear && i >= int64(len(p))/2 {
			c.injected++
			return int(i), errBad
		}
		c.put(f, disk.Sector((off+i)/n), p[i:i+n])
	}
	if f == Cut {
		return 0, c.cut()
	}
	return len(p), nil
}

func (c *Card) put(f Fault, s disk.Sector, b []byte) {
	c.written[s]++
	if c.Volatile > 0 {
		c.remember(s, b)
		if c.Drops {
			return
		}
	}
	at, ok := c.where(s)
	if !ok {
		return
	}
	if f == Lose {
		old := make([]byte, len(b))
		c.sector(s, old)
		if !slices.Equal(old, b) {
			c.injected++
		}
		return
	}
	c.cache[at] = slices.Clone(b)
}

// remember keeps a sector in the memory that needs power. The oldest ones
// leave it: to the medium, if they are not dropped there.
func (c *Card) remember(s disk.Sector, b []byte) {
	if c.memory == nil {
		c.memory = map[disk.Sector][]byte{}
	}
	c.memory[s] = slices.Clone(b)
	c.newest = append(c.newest, s)
	for int64(len(c.memory))*int64(len(b)) > c.Volatile {
		oldest := c.newest[0]
		c.newest = c.newest[1:]
		if slices.Contains(c.newest, oldest) {
			continue
		}
		if at, ok := c.where(oldest); ok {
			c.medium.Put(at, c.memory[oldest])
		}
		delete(c.memory, oldest)
	}
}

// Flush implements safety.Device.
func (c *Card) Flush() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	f, err := c.op("flush")
	if err != nil {
		return err
	}
	if f == Cut {
		return c.cut()
	}
	c.store(1)
	return nil
}

// Forget implements safety.Device.
func (c *Card) Forget() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	f, err := c.op("forget")
	if err == nil && f == Cut {
		err = c.cut()
	}
	if err == nil {
		err = c.Denied
	}
	return err
}

// Same implements safety.Device.
func (c *Card) Same() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	f, err := c.op("same")
	if err == nil && f == Cut {
		err = c.cut()
	}
	return err
}

// Describe implements safety.Device.
func (c *Card) Describe() (blockdev.Facts, error) { return c.Look(nil) }

// Look implements safety.Device.
func (c *Card) Look([]blockdev.File) (blockdev.Facts, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f, err := c.op("look")
	if err == nil && f == Cut {
		err = c.cut()
	}
	return c.Facts, err
}
