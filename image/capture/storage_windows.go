package capture

import (
	"errors"
	"syscall"
)

// What Windows says of a disk that is full, of one that belongs to somebody up to a
// quota, and of FAT, which holds no file of 4 GiB ("System Error Codes").
const (
	errorHandleDiskFull    = syscall.Errno(39)
	errorDiskFull          = syscall.Errno(112)
	errorFileTooLarge      = syscall.Errno(223)
	errorDiskQuotaExceeded = syscall.Errno(1295)
)

func isNoSpace(err error) bool {
	return errors.Is(err, errorDiskFull) || errors.Is(err, errorHandleDiskFull) ||
		errors.Is(err, errorDiskQuotaExceeded) || errors.Is(err, syscall.ENOSPC)
}

func isTooLarge(err error) bool {
	return errors.Is(err, errorFileTooLarge) || errors.Is(err, syscall.EFBIG)
}
