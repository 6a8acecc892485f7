package input

import (
	"errors"
	"fmt"
	"os"
	"syscall"
	"testing"
)

// A disk that is full stops a capture in good order, and a file that is too large for its
// file system is a question of another disk: any other error is neither (write(2), ENOSPC
// and EFBIG).
func TestWhatTheDiskOfACaptureLacks(t *testing.T) {
	for err, want := range map[error][2]bool{
		nil:                 {},
		errors.New("other"): {},
		&os.PathError{Op: "write", Path: "x", Err: syscall.ENOSPC}:             {true, false},
		fmt.Errorf("x: %w", &os.PathError{Op: "truncate", Err: syscall.EFBIG}): {false, true},
		errors.Join(errors.New("first"), &os.PathError{Err: syscall.ENOSPC}):   {true, false},
	} {
		if room, size := (captureFiles{}).Lacks(err); room != want[0] || size != want[1] {
			t.Errorf("%v: %t, %t", err, room, size)
		}
	}
}
