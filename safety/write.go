package safety

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/safety/blockdev"
)

// Unfinished is what is added to the name of an image file while it is written.
const Unfinished = ".unfinished"

// Options are the choices of WriteImage.
type Options struct {
	Replace  bool                    // an existing target, or what a broken run left, may be replaced
	Hash     bool                    // also compute the SHA-256; holes are then hashed as zeros, at the speed of other bytes
	Avoid    []os.FileInfo           // files that this job reads; the target is none of them, under whatever name
	Progress func(done, total int64) // called after each step, in bytes; may be nil
}

// Result tells what WriteImage did. Counts are in sectors of the card.
type Result struct {
	Sectors layout.Sector // of the whole card
	Written layout.Sector // copied, rendered or zero, as a hole or not
	Left    layout.Sector // not touched: holes in an image file
	Missing layout.Sector // zeros because the source does not know them; part of Written
	Stored  int64         // bytes that were not left as a hole
	SHA256  string        // of all sectors but those not touched, in card order; empty unless asked for

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
func WriteImage(ctx context.Context, path string, card image.Source, pieces []layout.Piece, opt Options) (Result, error) {
	return newImageWriter(path, card, pieces, opt).run(ctx)
}

type imageWriter struct {
	guard
	opt    Options
	card   image.Source
	pieces []layout.Piece
	temp   string
	old    fs.FileInfo // the target before, or nil
	stored int64
}

func newImageWriter(path string, card image.Source, pieces []layout.Piece, opt Options) *imageWriter {
	g := guard{fs: osFiles{}, path: path, replace: opt.Replace, avoid: opt.Avoid, loops: blockdev.Loops, swaps: blockdev.SwapList}
	return &imageWriter{guard: g, opt: opt, card: card, pieces: pieces, temp: path + Unfinished}
}

func (w *imageWriter) run(ctx context.Context) (Result, error) {
	if err := checkCard(w.card, w.pieces); err != nil {
		return Result{}, err
	}
	old, err := w.target()
	if err != nil {
		return Result{}, err
	}
	w.old = old
	stale, err := w.stale()
	if err != nil {
		return Result{}, err
	}
	need := w.bytes(stored)
	if err := w.enough(need, stale); err != nil {
		return Result{}, err
	}
	if stale != nil {
		if err := w.fs.remove(w.temp); err != nil {
			return Result{}, err
		}
	}
	return w.write(ctx, need)
}

// checkCard proves that the pieces and the card fit each other.
func checkCard(card image.Source, pieces []layout.Piece) error {
	if card.Size()%int64(card.SectorSize()) != 0 {
		return fmt.Errorf("the planned card of %d bytes is not made of whole sectors", card.Size())
	}
	if err := layout.CheckTiles(image.Sectors(card), pieces); err != nil {
		return fmt.Errorf("the pieces of the plan: %w", err)
	}
	return nil
}

// stale returns what a broken run left under the unfinished name, or nil.
func (w *imageWriter) stale() (fs.FileInfo, error) {
	g := w.guard
	g.path = w.temp
	fi, err := w.fs.lstat(w.temp)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if err := g.unused(fi); err != nil {
		return nil, err
	}
	if inUse(w.temp) {
		return nil, g.refuse(UnfinishedInUse, "wait for it", "another run is writing it now")
	}
	if !w.replace {
		return nil, g.refuse(UnfinishedExists, "delete it, or add --replace", "a run that broke off left it")
	}
	return fi, nil
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

// enough refuses if the file system has no room for all bytes that may have to
// be stored. Zeros among them are found only by reading, so they count.
func (w *imageWriter) enough(need int64, stale fs.FileInfo) error {
	free, known := w.fs.room(folderOf(w.path))
	if stale != nil {
		free += storedBytes(stale)
	}
	if known && need > free {
		return w.refuse(NoRoom, fmt.Sprintf("free %d bytes, or choose another folder", need-free),
			"it needs %d bytes, and its file system has %d left", need, free)
	}
	return nil
}

func (w *imageWriter) write(ctx context.Context, need int64) (res Result, err error) {
	perm := fs.FileMode(0o666)
	if w.old != nil {
		perm = w.old.Mode().Perm() // what was private stays private
	}
	f, err := w.fs.create(w.temp, perm)
	if err != nil {
		return Result{}, err
	}
	mine, err := f.Stat()
	if err == nil {
		err = w.finish(ctx, f, mine, need, &res)
	}
	if err != nil {
		f.Close() // a second Close does no harm
		return Result{}, errors.Join(err, w.discard(mine))
	}
	res.Folder = w.fs.syncFolder(folderOf(w.path))
	return res, nil
}

// finish writes the file that is mine to the end and gives it its name.
func (w *imageWriter) finish(ctx context.Context, f outFile, mine fs.FileInfo, need int64, res *Result) error {
	*res = w.count()
	sum, err := w.fillFile(ctx, f, need)
	if err != nil {
		return err
	}
	res.SHA256, res.Stored = sum, w.stored
	if err := f.Close(); err != nil {
		return fmt.Errorf("closing %s: %w", w.temp, err)
	}
	if err := ctx.Err(); err != nil { // the last moment at which stopping changes nothing
		return err
	}
	return w.publish(mine)
}

// discard removes the unfinished file, unless somebody put another one there.
func (w *imageWriter) discard(mine fs.FileInfo) error {
	now, err := w.fs.lstat(w.temp)
	if err == nil && mine != nil && !os.SameFile(now, mine) {
		return nil
	}
	if err := w.fs.remove(w.temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("and the unfinished file stays: %w", err)
	}
	return nil
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
func (w *imageWriter) fillFile(ctx context.Context, f outFile, need int64) (sum string, err error) {
	if err := f.Truncate(w.card.Size()); errors.Is(err, syscall.EFBIG) {
		return "", w.refuse(FileTooLarge, "choose a folder on another file system",
			"its file system cannot hold a file of %d bytes", w.card.Size())
	} else if err != nil {
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
	if err := f.Sync(); err != nil {
		return "", fmt.Errorf("flushing %s: %w", w.temp, err)
	}
	if w.opt.Hash {
		sum = hex.EncodeToString(p.hash.Sum(nil))
	}
	return sum, nil
}

// holeUnit is the shortest run of zeros in the data that becomes a hole.
// Shorter ones would tear the file into extents for little room saved.
const holeUnit = 64 << 10

// writeSparse writes b at off, except for units of zeros: the file reads as
// zeros there already. It returns how many bytes it wrote.
func writeSparse(f outFile, b []byte, off int64) (written int64, err error) {
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
