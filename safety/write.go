package safety

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/safety/newfile"
)

// Options are the choices of WriteImage.
type Options struct {
	Replace bool // an existing target, or what a broken run left, may be replaced
	// also compute the SHA-256; holes are then hashed as zeros, at the speed of other bytes
	Hash     bool
	Avoid    []os.FileInfo           // files that this job reads; the target is none of them, under whatever name
	Progress func(done, total int64) // called after each step, in bytes; may be nil
}

// Result tells what WriteImage did. Counts are in sectors of the card.
type Result struct {
	Sectors disk.Sector // of the whole card
	Written disk.Sector // copied, rendered or zero, as a hole or not
	Left    disk.Sector // not touched: holes in an image file
	Missing disk.Sector // zeros because the source does not know them; part of Written
	Stored  int64       // bytes that were not left as a hole
	SHA256  string      // of all sectors but those not touched, in card order; empty unless asked for

	// Folder is an error if the folder could not be flushed. The file is whole
	// and in its place, but its name may not outlast a power cut.
	Folder error
}

// WriteImage writes a planned card to an image file. pieces must tile the card.
//
// It writes to path + Unfinished and gives the file its name when every byte
// is flushed. After an error, or if ctx ends, an older file at path is as it
// was, and no unfinished file remains. Sectors known to be zero, sectors not
// touched and long runs of zeros in the data become holes.
//
// A *Refusal says that nothing was written. Other errors are those of reading
// the card, with the sector, and of the file system.
func WriteImage(ctx context.Context, path string, card image.Source, pieces []layout.Piece,
	opt Options) (Result, error) {
	return newImageWriter(path, card, pieces, opt).run(ctx)
}

type imageWriter struct {
	guard
	opt    Options
	card   image.Source
	pieces []layout.Piece
	stored int64
}

func newImageWriter(path string, card image.Source, pieces []layout.Piece, opt Options) *imageWriter {
	out := Output{Path: path, Kind: ImageFile, Replace: opt.Replace, Avoid: opt.Avoid}
	return &imageWriter{guard: out.guard(), opt: opt, card: card, pieces: pieces}
}

func (w *imageWriter) run(ctx context.Context) (Result, error) {
	if err := checkCard(w.card, w.pieces); err != nil {
		return Result{}, err
	}
	res := w.count()
	need := w.bytes(stored)
	var err error
	res.Folder, err = w.make(ctx, need, func(f newfile.OutFile) (err error) {
		res.SHA256, err = w.fillFile(ctx, f, need)
		return err
	})
	if err != nil {
		return Result{}, err
	}
	res.Stored = w.stored
	return res, nil
}

// checkCard proves that the pieces and the card fit each other.
func checkCard(card image.Source, pieces []layout.Piece) error {
	if card.Size()%int64(card.SectorSize()) != 0 {
		return fmt.Errorf("the planned card of %d bytes is not made of whole sectors", card.Size())
	}
	if err := disk.CheckTiles(image.Sectors(card), pieces); err != nil {
		return fmt.Errorf("the pieces of the plan: %w", err)
	}
	return nil
}

// bytes adds up the runs of the card that are of one kind.
func (w *imageWriter) bytes(kind fill) int64 {
	var n int64
	for r := range cardRuns(w.card, w.pieces) {
		if r.fill == kind {
			n += r.end - r.off
		}
	}
	return n
}

func (w *imageWriter) count() Result {
	r := Result{Sectors: image.Sectors(w.card)}
	for _, p := range w.pieces {
		if p.Op == layout.Leave {
			r.Left += p.Count
		}
		if p.Why == layout.WhyMissing {
			r.Missing += p.Count
		}
	}
	r.Written = r.Sectors - r.Left
	return r
}

// fillFile gives the file its size and its bytes, and flushes them.
func (w *imageWriter) fillFile(ctx context.Context, f newfile.OutFile, need int64) (sum string, err error) {
	if err := w.size(f, w.card.Size()); err != nil {
		return "", err
	}
	p := &pump{src: w.card, runs: cardRuns(w.card, w.pieces), write: func(b []byte, off int64) error {
		n, err := writeSparse(f, b, off)
		w.stored += n
		return err
	}}
	if w.opt.Hash {
		p.hash = sha256.New()
		need += w.bytes(zeros)
	}
	p.progress = meter(w.opt.Progress, need)
	if err := p.run(ctx); err != nil {
		return "", err
	}
	if err := w.flush(f); err != nil {
		return "", err
	}
	if w.opt.Hash {
		sum = hex.EncodeToString(p.hash.Sum(nil))
	}
	return sum, nil
}

// holeUnit is the shortest run of zeros in the data that becomes a hole.
// Shorter ones would tear the file into extents for little room saved; by hand, no
// source.
const holeUnit = 64 << 10

// writeSparse writes b at off, except for units of zeros: the file reads as
// zeros there already. It returns how many bytes it wrote.
func writeSparse(f newfile.OutFile, b []byte, off int64) (written int64, err error) {
	from := 0
	flush := func(to int) error {
		if from == to {
			return nil
		}
		n, err := f.WriteAt(b[from:to], off+int64(from))
		written += int64(n)
		return err
	}
	for i := 0; i < len(b); {
		to := min(i+holeUnit, len(b))
		if bytes.Equal(b[i:to], zeroBlock[:to-i]) {
			if err := flush(i); err != nil {
				return written, err
			}
			from = to
		}
		i = to
	}
	return written, flush(len(b))
}
