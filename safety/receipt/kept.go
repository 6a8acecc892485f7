package receipt

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sync"

	"github.com/klauspost/compress/zstd"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/safety/newfile"
)

// Kept is the old content of a card, read from its receipt. It is an
// image.Source and image.Partial: what was not kept is not known.
type Kept struct {
	*Receipt
	file *os.File
	dec  *zstd.Decoder

	mu   sync.Mutex // guards what follows
	have int        // the part that is decoded, or -1
	data []byte
}

// Open returns the old content.
func (r *Receipt) Open() (*Kept, error) {
	f, err := opened(r.Path, newfile.Peek)
	if err != nil {
		return nil, err
	}
	dec, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(4*Chunk))
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return &Kept{Receipt: r, file: f, dec: dec, have: -1}, nil
}

// Close closes the receipt.
func (k *Kept) Close() error {
	k.dec.Close()
	return k.file.Close()
}

// Size returns the size of the card in bytes.
func (k *Kept) Size() int64 { return int64(k.Card.Sectors) * int64(k.Card.SectorSize) }

// SectorSize returns the sector size in bytes.
func (k *Kept) SectorSize() int { return k.Card.SectorSize }

// load decodes a part and proves it.
func (k *Kept) load(i int) error {
	if k.have == i {
		return nil
	}
	k.have = -1
	at := k.index[i]
	frame := make([]byte, at.Bytes)
	if _, err := k.file.ReadAt(frame, at.off); err != nil {
		return fmt.Errorf("reading the receipt at byte %d: %w", at.off, err)
	}
	data, err := k.dec.DecodeAll(frame, k.data[:0])
	if err != nil {
		return fmt.Errorf("the receipt at byte %d: %w", at.off, err)
	}
	sum := sha256.Sum256(data)
	if hex.EncodeToString(sum[:]) != at.SHA256 || int64(len(data)) != int64(at.Count)*int64(k.Card.SectorSize) {
		return fmt.Errorf("the receipt at byte %d: the content of %s was changed", at.off, at.Span.Text())
	}
	k.data, k.have = data, i
	return nil
}

// ReadAt implements image.Source.
func (k *Kept) ReadAt(p []byte, off int64) (int, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	size := int64(k.Card.SectorSize)
	done := 0
	for done < len(p) {
		at := off + int64(done)
		if at < 0 || at >= k.Size() {
			return done, io.EOF
		}
		i, found := slices.BinarySearchFunc(k.index, disk.Sector(at/size), func(c keptAt, x disk.Sector) int {
			switch {
			case c.Holds(x):
				return 0
			case c.Start > x:
				return 1
			}
			return -1
		})
		if !found {
			return done, &image.UnknownError{Span: disk.Span{Start: disk.Sector(at / size), Count: 1}, State: image.NotSent}
		}
		if err := k.load(i); err != nil {
			return done, err
		}
		done += copy(p[done:], k.data[at-int64(k.index[i].Start)*size:])
	}
	return done, nil
}

// Unknown implements image.Partial.
func (k *Kept) Unknown(w disk.Span) disk.Spans { return k.Receipt.Kept.Outside(w) }

// KeptBlank tells whether nothing but zeros was kept: then there is nothing to bring back.
func (r *Receipt) KeptBlank() bool {
	blank := map[disk.Sector]string{} // the digest of so many sectors of zeros
	for _, k := range r.index {
		if blank[k.Count] == "" {
			sum := sha256.Sum256(make([]byte, int64(k.Count)*int64(r.Card.SectorSize)))
			blank[k.Count] = hex.EncodeToString(sum[:])
		}
		if k.SHA256 != blank[k.Count] {
			return false
		}
	}
	return true
}

// Pieces says which sectors of the card are put back: those that were kept.
func (r *Receipt) Pieces() []layout.Piece {
	var out []layout.Piece
	add := func(s disk.Span, op layout.Op) {
		if !s.Empty() {
			p := layout.Piece{Span: s, Op: op, Why: layout.WhyUnchanged}
			if op == layout.Copy {
				p.From = s.Start
			}
			out = append(out, p)
		}
	}
	at := disk.Sector(0)
	for _, s := range r.Kept {
		add(disk.Between(at, s.Start), layout.Leave)
		add(s, layout.Copy)
		at = s.End()
	}
	add(disk.Between(at, r.Card.Sectors), layout.Leave)
	return out
}
