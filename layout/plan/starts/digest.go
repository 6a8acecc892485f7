package starts

import (
	"crypto/sha256"
	"io"

	"bootgraft/layout/scan/files"
)

// digest returns the SHA-256 of a file.
func digest(f *files.File) (out [32]byte, err error) {
	h := sha256.New()
	if _, err := io.Copy(h, f.Reader()); err != nil {
		return out, err
	}
	h.Sum(out[:0])
	return out, nil
}
