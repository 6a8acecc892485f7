package capture

import (
	"errors"
	"math"
	"os"
	"runtime"
	"testing"

	"bootgraft/image"
	"bootgraft/safety/newfile"
)

// Disk is a Storage of the files of this machine, for tests; names are paths.
type Disk struct{ Dir string }

type diskFile struct{ *os.File }

func (f diskFile) Size() (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}

// NextData implements image.Sparse.
func (f diskFile) NextData(off int64) (start, end int64) {
	size, err := f.Size()
	if err != nil {
		return off, math.MaxInt64
	}
	return image.NextStored(f.File, off, size)
}

// needHoles skips what is true only where it is seen what of a file is not stored.
func needHoles(t *testing.T) {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("holes of a file are seen on Linux alone")
	}
}

func asDiskFile(f *os.File, err error) (File, error) {
	if errors.Is(err, newfile.ErrInUse) {
		return nil, ErrInUse
	}
	if err != nil {
		return nil, err
	}
	return diskFile{f}, nil
}

// Open implements Storage.
func (Disk) Open(name string) (File, error) { return asDiskFile(newfile.Open(name, 0)) }

// Create implements Storage.
func (Disk) Create(name string) (File, error) { return asDiskFile(newfile.Create(name, 0)) }

// Replace implements Storage.
func (Disk) Replace(name, by string) error { return newfile.Replace(name, by) }

// Remove implements Storage.
func (Disk) Remove(name string) error { return newfile.Remove(name) }

// Free implements Storage.
func (Disk) Free() int64 { return -1 }

// Lacks implements Storage.
func (Disk) Lacks(err error) (room, size bool) {
	why := newfile.ShortOf(err)
	return why == newfile.NoRoom, why == newfile.TooBig
}
