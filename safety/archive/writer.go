package archive

import (
	"hash"
	"io"
	"time"

	"bootgraft/image"
	"bootgraft/image/packed"
	"bootgraft/layout"
	"bootgraft/safety/newfile"
)

// writer writes one file of an archive in order, and leaves out holes.
type writer struct {
	*maker
	to       io.WriterAt
	sum      hash.Hash
	at       int64 // bytes so far
	modified time.Time
	buf      []byte
	pack     *packed.Writer // instead of to
}

// packInto lets what is written be packed; the SHA-256 is that of the packed file.
func (w *writer) packInto(f io.Writer) (err error) {
	w.pack, err = packed.NewWriter(io.MultiWriter(f, w.sum))
	return err
}

// item writes one item.
func (w *writer) item(it Item) error {
	switch {
	case it.Path != "":
		return w.file(it.Path)
	case it.Card != nil:
		return w.card(it.Card, it.Pieces)
	}
	return w.bytes(it.Text)
}

// end writes what is still to come.
func (w *writer) end(f *newfile.Copied) (err error) {
	if w.pack == nil {
		return f.Truncate(w.at) // a hole at the end
	}
	if err := w.pack.Close(); err != nil {
		return err
	}
	w.at, err = f.Seek(0, io.SeekCurrent) // the bytes of the packed file
	return err
}

// file copies a file byte for byte; its holes stay holes.
func (w *writer) file(path string) error {
	f, err := image.Open(path, 512)
	if err != nil {
		return err
	}
	defer f.Close()
	if st, err := f.Stat(); err == nil {
		w.modified = st.ModTime()
	}
	if err := w.run(f, 0, f.Size()); err != nil {
		return err
	}
	return f.Still()
}

// card writes what a plan makes. What it does not touch, and zeros, are holes.
func (w *writer) card(c image.Source, pieces []layout.Piece) error {
	n := int64(c.SectorSize())
	for _, q := range pieces {
		var err error
		if q.Op == layout.Copy || q.Op == layout.Render {
			err = w.run(c, int64(q.Start)*n, int64(q.End())*n)
		} else {
			err = w.hole(int64(q.Count) * n)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) bytes(b []byte) (err error) {
	if w.pack != nil {
		_, err = w.pack.Write(b)
	} else {
		_, err = w.to.WriteAt(b, w.at)
		w.sum.Write(b)
	}
	w.at += int64(len(b))
	w.moved(int64(len(b)))
	return err
}

// run copies bytes from one place on up to another.
func (w *writer) run(src image.Source, from, to int64) error {
	for at := from; at < to; {
		start, end := image.NextData(src, at)
		start, end = min(start, to), min(end, to)
		if err := w.hole(start - at); err != nil {
			return err
		}
		for at = start; at < end; {
			if w.buf == nil {
				w.buf = make([]byte, block)
			}
			b := w.buf[:min(block, end-at)]
			if err := w.ctx.Err(); err != nil {
				return err
			}
			if err := image.ReadFull(src, b, at); err != nil {
				return err
			}
			if err := w.bytes(b); err != nil {
				return err
			}
			at += int64(len(b))
		}
	}
	return nil
}

// hole passes over bytes that read as zeros.
func (w *writer) hole(n int64) error {
	for ; n > 0; n -= min(n, block) {
		if err := w.ctx.Err(); err != nil {
			return err
		}
		if w.pack != nil {
			if err := w.bytes(zeros[:min(n, block)]); err != nil {
				return err
			}
			continue
		}
		w.sum.Write(zeros[:min(n, block)])
		w.at += min(n, block)
		w.moved(min(n, block))
	}
	return nil
}
