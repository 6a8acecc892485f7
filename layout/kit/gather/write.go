package gather

import (
	"crypto/sha256"
	"hash"
	"io"

	"bootgraft/layout/kit"
)

// Written is a kit as it was written.
type Written struct {
	Manifest *kit.Manifest
	Bytes    int64
	SHA256   []byte // of the whole file
}

// Write writes the kit. One that would be too large is a *kit.TooLargeError.
func (m *Made) Write(w io.Writer) (*Written, error) {
	sum := &summed{Hash: sha256.New()}
	manifest, err := kit.Write(io.MultiWriter(w, sum), &m.Contents)
	return &Written{manifest, sum.n, sum.Sum(nil)}, err
}

// summed counts what it hashes.
type summed struct {
	hash.Hash
	n int64
}

// Write implements io.Writer.
func (s *summed) Write(p []byte) (int, error) {
	s.n += int64(len(p))
	return s.Hash.Write(p)
}
