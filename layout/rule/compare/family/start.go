package family

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// chain is a table of starts and lengths, 32-bit big-endian pairs: what one
// names begins where the one before ends, and the last ends at the end of the
// disk, less some sectors.
type chain struct {
	at, count int // byte of the head, pairs
	less      int64
}

// Check does what the device does when it starts: it believes nothing about
// the disk but its real size, and returns what it finds wrong.
func (f *Family) Check(src image.Source) error {
	n := disk.Sector(image.Sectors(src))
	head, err := f.read(src, 0, disk.Sector(f.Head))
	if err != nil {
		return err
	}
	if !bytes.Equal(head[16:29], []byte("INVENTED UNIT")) {
		return errors.New("this is no disk of the device")
	}
	if err := f.checkNumbers(src, head, n); err != nil {
		return err
	}
	for _, c := range f.chains {
		if err := c.check(head, int64(n)); err != nil {
			return err
		}
	}
	for _, s := range f.sums {
		again := bytes.Clone(head)
		putSum(again, s)
		if !bytes.Equal(again, head) {
			return fmt.Errorf("checksum %s at byte %d of the head is wrong", s.kind, s.at)
		}
	}
	return f.checkTwins(src, head, n)
}

// read returns sectors as the device sees them.
func (f *Family) read(src image.Source, at, count disk.Sector) ([]byte, error) {
	b, err := image.ReadSectors(src, disk.Span{Start: at, Count: count})
	return reversed(b, f.words), err
}

func (f *Family) checkNumbers(src image.Source, head []byte, n disk.Sector) error {
	for _, x := range f.Numbers {
		b := head[min(x.Sector, f.Head-1)*sectorSize:]
		if x.FromEnd {
			var err error
			if b, err = f.read(src, n-disk.Sector(x.Sector), 1); err != nil {
				return err
			}
		}
		want := make([]byte, x.Width)
		x.Write(want, x.Of(int64(n)))
		if have := b[x.Byte : x.Byte+x.Width]; !bytes.Equal(have, want) {
			return fmt.Errorf("%s at sector %d byte %d is % x, the device wants % x", x.Kind, x.Sector, x.Byte, have, want)
		}
	}
	return nil
}

func (c chain) check(head []byte, n int64) error {
	next := int64(-1)
	for i := range c.count {
		pair := head[c.at+8*i:]
		start, length := int64(binary.BigEndian.Uint32(pair)), int64(binary.BigEndian.Uint32(pair[4:]))
		if next >= 0 && start != next {
			return fmt.Errorf("entry %d starts at %d, the one before ends at %d", i, start, next)
		}
		next = start + length
	}
	if next != n-c.less {
		return fmt.Errorf("the last entry ends at %d, not at %d", next, n-c.less)
	}
	return nil
}

// checkTwins compares the copies at the end with the head.
func (f *Family) checkTwins(src image.Source, head []byte, n disk.Sector) error {
	for _, t := range f.twins {
		to, err := f.read(src, n-disk.Sector(t.end), 1)
		if err != nil {
			return err
		}
		if !bytes.Equal(to, f.copyOf(head, t)) {
			return fmt.Errorf("the copies disagree: sector %d and the one %d before the end", t.of, t.end)
		}
	}
	return nil
}
