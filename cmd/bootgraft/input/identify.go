package input

import (
	"errors"
	"fmt"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/ata"
)

// mostIdentify bounds what is read of a file that should hold an answer, in bytes;
// as text it has about 1,300.
const mostIdentify = 64 << 10

// OpenIdentify reads what a drive said of itself from a file, nil if none is given.
func OpenIdentify(path string) (*ata.Identify, error) {
	if path == "" {
		return nil, nil
	}
	f, err := image.Open(path, 512)
	if kind := (*image.NotRegularError)(nil); errors.As(err, &kind) {
		return nil, fmt.Errorf("%s is %s; --identify takes a file with what the drive said", path, kind.Kind)
	}
	if err != nil {
		return nil, SourceError(path, err)
	}
	defer f.Close()
	b := make([]byte, min(f.Size(), mostIdentify))
	if err := image.ReadFull(f, b, 0); err != nil {
		return nil, SourceError(path, err)
	}
	id, err := ata.Parse(b)
	if err != nil {
		return nil, talk.Coded(talk.ExitFailed, fmt.Errorf("%s: %w", path, err))
	}
	return id, nil
}
