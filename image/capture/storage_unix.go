//go:build unix

package capture

import (
	"errors"
	"syscall"
)

func isNoSpace(err error) bool {
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

func isTooLarge(err error) bool { return errors.Is(err, syscall.EFBIG) }
