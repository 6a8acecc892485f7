package plan

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"io"
	"sync"
)

// strict refuses base64 whose unused bits are not zero.
var strict = base64.StdEncoding.Strict()

// filePool is the rendered bytes of a plan file, read from it when needed.
type filePool struct {
	file   io.ReaderAt
	size   int64
	chunks []chunk // all of them block bytes, but for the last

	mu   sync.Mutex // guards what follows: the chunk used last
	have int        // its index, -1 if there is none
	text []byte
	data []byte
}

// chunk is one string of base64 in the file.
type chunk struct {
	at  int64             // offset of its first character
	sum [sha256.Size]byte // of its bytes: the file may change while it is in use
}

func newFilePool(file io.ReaderAt) *filePool {
	return &filePool{file: file, have: -1}
}

// add notes the next chunk, whose text stands at offset at of the file.
func (p *filePool) add(at int64, text []byte) error {
	if p.size%block != 0 {
		return fmt.Errorf("only the last text may hold fewer than %d bytes", block)
	}
	data, err := strict.AppendDecode(p.data[:0], text)
	if err != nil {
		return err
	}
	if len(data) == 0 || len(data) > block {
		return fmt.Errorf("the text holds %d bytes, not 1 to %d", len(data), block)
	}
	p.data = data
	p.size += int64(len(data))
	p.chunks = append(p.chunks, chunk{at, sha256.Sum256(data)})
	return nil
}

// Size implements Pool.
func (p *filePool) Size() int64 { return p.size }

// ReadAt implements Pool.
func (p *filePool) ReadAt(b []byte, off int64) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("negative offset %d", off)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	done := 0
	for done < len(b) {
		if off >= p.size {
			return done, io.EOF
		}
		if err := p.load(int(off / block)); err != nil {
			return done, err
		}
		n := copy(b[done:], p.data[off%block:])
		done += n
		off += int64(n)
	}
	return done, nil
}

// load makes chunk i the one at hand.
func (p *filePool) load(i int) error {
	if p.have == i {
		return nil
	}
	p.have = -1
	n := min(block, p.size-int64(i)*block)
	p.text = append(p.text[:0], make([]byte, strict.EncodedLen(int(n)))...)
	if got, err := p.file.ReadAt(p.text, p.chunks[i].at); got < len(p.text) {
		return fmt.Errorf("reading rendered bytes from the plan file at byte %d: %w", p.chunks[i].at, err)
	}
	data, err := strict.AppendDecode(p.data[:0], p.text)
	sum := sha256.Sum256(data)
	if err != nil || !bytes.Equal(sum[:], p.chunks[i].sum[:]) {
		return fmt.Errorf("the plan file was changed at byte %d since it was opened", p.chunks[i].at)
	}
	p.data, p.have = data, i
	return nil
}
