package newfile

import (
	"errors"
	"io/fs"
	"os"
	"strconv"
)

// caller returns who called sudo, if that is how the program was started: the
// files that it makes belong to that person.
func caller() (uid, gid int, ok bool) {
	if os.Geteuid() != 0 {
		return 0, 0, false
	}
	uid, err1 := strconv.Atoi(os.Getenv("SUDO_UID"))
	gid, err2 := strconv.Atoi(os.Getenv("SUDO_GID"))
	return uid, gid, err1 == nil && err2 == nil && uid > 0 && gid >= 0
}

// giveToCaller makes a new file belong to the caller of sudo. A file system
// that has no owners, such as FAT, or gives root no right to change them, is no
// reason to fail.
func giveToCaller(f *os.File) error {
	uid, gid, ok := caller()
	if !ok {
		return nil
	}
	err := f.Chown(uid, gid)
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, errors.ErrUnsupported) {
		return nil
	}
	return err
}
