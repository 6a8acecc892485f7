package blockdev

import (
	"fmt"

	"bootgraft/image/disk"
)

// mostSectors bounds the search for an end: what 48 bits of an ATA command can
// address (ATA/ATAPI-6, READ DMA EXT).
const mostSectors = 1 << 48

// lookAround is how many sectors behind one that cannot be read are tried before it is
// said that the end cannot be found: by hand, no source. A drive of 4096 bytes that
// shows sectors of 512 loses eight at once.
const lookAround = 16

// findEnd finds out how many sectors a device has that does not tell: by reading one
// sector at places that double, then at the middle of what is left, some 80 reads for
// 2^40 sectors. there tells whether a sector lies before the end; it fails where that
// cannot be told, because the sector cannot be read.
func findEnd(there func(disk.Sector) (bool, error)) (disk.Sector, error) {
	probe := func(at disk.Sector) (bool, error) {
		ok, err := there(at)
		for i := disk.Sector(1); err != nil && i <= lookAround; i++ {
			// A sector behind one that cannot be read is there: so is the other. If it is
			// not, the other may be the last one.
			if again, e := there(at + i); e == nil && again {
				return true, nil
			}
		}
		if err != nil {
			err = fmt.Errorf("the end of the disk cannot be found: what lies at sector %s cannot be read, nor %d sectors "+
				"behind it: %w", disk.Grouped(at), lookAround, err)
		}
		return ok, err
	}
	low, high := disk.Sector(-1), disk.Sector(0) // low is there, high is not
	for {
		ok, err := probe(high)
		if err != nil {
			return 0, err
		}
		if !ok {
			break
		}
		if high >= mostSectors {
			return 0, fmt.Errorf("no end of the disk was found before sector %s", disk.Grouped(high))
		}
		low, high = high, max(1, 2*high)
	}
	for high-low > 1 {
		middle := low + (high-low)/2
		ok, err := probe(middle)
		if err != nil {
			return 0, err
		}
		if ok {
			low = middle
		} else {
			high = middle
		}
	}
	return high, nil
}
