package rescue

import (
	"errors"
	"io/fs"
	"syscall"
	"testing"
)

// TestWhyAFileIsLeftOut: of the folder's errors those that are about one file let the
// others be copied. The numbers are those of open(2), write(2) and fallocate(2).
func TestWhyAFileIsLeftOut(t *testing.T) {
	named := func(e error) error { return &fs.PathError{Op: "openat", Path: "x", Err: e} }
	for _, c := range []struct {
		err  error
		want Left
	}{
		{storing(named(syscall.ENOSPC)), NoRoom},
		{&storeError{named(syscall.ENOSPC), true}, NoRoom},
		{storing(named(syscall.EFBIG)), TooBig},
		{&storeError{named(syscall.ENAMETOOLONG), true}, BadName},
		{storing(named(syscall.ENAMETOOLONG)), ""},        // the file is there
		{storing(named(syscall.EIO)), ""},                 // the disk that is written to fails
		{&storeError{named(syscall.EROFS), true}, ""},     // no file can be made
		{&storeError{named(syscall.ENOENT), true}, ""},    // the folder is gone
		{&storeError{named(syscall.EACCES), true}, ""},    // nobody may
		{named(syscall.ENOSPC), ""},                       // of the disk that is read
		{errors.Join(errors.New("x"), syscall.EFBIG), ""}, // the same
		{nil, ""},
	} {
		if got := leftFor(c.err); got != c.want {
			t.Errorf("%v: %q, want %q", c.err, got, c.want)
		}
	}
}
