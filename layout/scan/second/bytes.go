package second

import (
	"bytes"
	"errors"
	"io"

	"github.com/diskfs/go-diskfs/filesystem/fat12"

	"bootgraft/image"
	"bootgraft/layout/volume/fat"
)

// readSize is how much of a file is read at once. To a buffer that ends
// inside a cluster the library returns what lies behind the end of the file.
const readSize = 8 << 20

// bytes reads a file with both readers, side by side, and compares every byte.
func (c *comparison) bytes(theirs *fat12.File, f *fat.File) error {
	ours := c.v.Open(f)
	steps := int64(f.Chain.Clusters) * ((f.Size + readSize - 1) / readSize)
	if steps > c.steps || len(ours.Missing()) > 0 {
		c.unread++
		return nil
	}
	limited := io.LimitReader(theirs, f.Size)
	for at := int64(0); at < f.Size; {
		if err := c.ctx.Err(); err != nil {
			return err
		}
		n := int(min(readSize, f.Size-at))
		a, b := c.sized(0, n), c.sized(1, n)
		clear(b) // what was there before must not pass for the file's bytes
		got, err := guarded(func() (int, error) { return fill(limited, b) })
		if err != nil {
			return err
		} else if got != n {
			return differf("/%s ends after %d bytes; ours: %d", f.Path, at+int64(got), f.Size)
		}
		if err := image.ReadFull(ours, a, at); err != nil {
			return refusef("/%s: our own reader failed: %v", f.Path, err)
		}
		if !bytes.Equal(a, b) {
			return differf("/%s differs at byte %d", f.Path, at+int64(firstUnequal(a, b)))
		}
		at += int64(n)
		if c.opt.Progress != nil {
			c.opt.Progress(int64(n))
		}
	}
	c.o.Compared.Contents++
	c.o.Compared.Bytes += f.Size
	return nil
}

// fill reads until b is full or r ends. A reader that gives nothing and no
// error either is not asked again.
func fill(r io.Reader, b []byte) (n int, err error) {
	for n < len(b) {
		got, err := r.Read(b[n:])
		n += got
		switch {
		case errors.Is(err, io.EOF):
			return n, nil
		case err != nil:
			return n, err
		case got == 0:
			return n, io.ErrNoProgress
		}
	}
	return n, nil
}

func firstUnequal(a, b []byte) int {
	for i := range a {
		if a[i] != b[i] {
			return i
		}
	}
	return len(a)
}
