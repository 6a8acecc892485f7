package image_test

import (
	"errors"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
)

func TestReadErrorSaysWhatFailed(t *testing.T) {
	at := disk.Span{Start: 8, Count: 2}
	why := errors.New("no answer")
	for want, e := range map[string]*image.ReadError{
		"reading sectors 8+2: bad: no answer":  {Span: at, Fault: image.BadSector, Err: why},
		"writing sectors 8+2: gone: no answer": {Span: at, Fault: image.Gone, Err: why, Writing: true},
		"gone: no answer":                      {Fault: image.Gone, Err: why},
	} {
		if got := e.Error(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
