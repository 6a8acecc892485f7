package image

import (
	"errors"
	"math"
	"os"
	"syscall"
)

// lseek(2): SEEK_DATA and SEEK_HOLE.
const (
	seekDataWhence = 3
	seekHoleWhence = 4
)

func seekData(f *os.File, off int64) (start, end int64, ok bool) {
	start, err := f.Seek(off, seekDataWhence)
	if errors.Is(err, syscall.ENXIO) { // no data from off to the end of the file
		return math.MaxInt64, math.MaxInt64, true
	}
	if err != nil {
		return 0, 0, false
	}
	end, err = f.Seek(start, seekHoleWhence)
	return start, end, err == nil
}
