package newfile

import (
	"os"

	"golang.org/x/sys/unix"
)

// Reserve takes room behind the end of a file, which keeps its
// length: what is added later cannot meet a full disk, nor the largest size of a file.
// File systems that cannot do this leave it to chance.
func Reserve(f *os.File, n int64) error {
	st, err := f.Stat()
	if err != nil {
		return err
	}
	err = unix.Fallocate(int(f.Fd()), unix.FALLOC_FL_KEEP_SIZE, st.Size(), n)
	if full(err) || TooLarge(err) {
		return &os.PathError{Op: "reserve room behind", Path: f.Name(), Err: err}
	}
	return nil
}
