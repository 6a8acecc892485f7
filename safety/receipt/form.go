// Package receipt is the file that work on a card leaves: what the card held, how
// far the work came, and by what that very card is known again.
//
//	header, kept content, seal | one line for each stage
//
// Whether a card is the one of a receipt, and what may be done to it, is for
// package safety to judge.
package receipt

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"time"

	"github.com/klauspost/compress/zstd"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/newfile"
)

// The form of a receipt file, version 3. Lines of JSON (RFC 8259), each ended
// by a line feed:
//
//	{"format":"bootgraft receipt","version":3,"written_by":"..","mark":"..", ...}   the header
//	{"kept":{"start":..,"count":..,"bytes":N,"sha256":".."}}
//	N bytes: a zstd frame (RFC 8878) with the old content of these sectors,
//	then a line feed; SHA-256 is of the content. Any number of these two.
//	{"sealed":".."}   SHA-256 of every byte of the file before this line
//	{"stage":"fence","time":".."}     one for each stage that was begun
//	{"stage":"marked","time":".."}    the mark is on the medium
//	{"stage":"data","upto":N,...}     the data before sector N is on the medium
//	{"stage":"data","upto":N,"differ":[{"start":..,"count":..}],...}
//	a step back: these sectors did not come back as written, and the data is
//	good only before sector N
//	{"stage":"undo",...}   what follows was done by an undo
//
// Everything up to the seal is on the disk before the card is touched. Lines
// after it are added one by one; the last one may be torn by a power cut. Who
// reads a receipt to go on with it holds a lock on the file until the work ends.
//
// Version 1 had no mark, and nothing of the planned content but a digest of
// sector 0. It is read, but by it no card can be told from an equal one. Version
// 2 did not say which version of the program wrote it.
const (
	Format  = "bootgraft receipt"
	Version = 3
	opening = `{"format":"` + Format + `"` // every receipt begins with this

	// By hand, no source: what a reader may have to hold in memory at once.
	Chunk       = 1 << 20  // most content in one kept part, in bytes
	maxKept     = 2 << 20  // most bytes of its frame
	maxLine     = 64 << 20 // most bytes of one line: a header names many spans
	maxProgress = 1 << 20  // most lines after the seal
)

// CardID is how a receipt knows its card again.
type CardID struct {
	Model      string      `json:"model"`
	Serial     string      `json:"serial"`
	Bus        string      `json:"bus"`
	CID        string      `json:"cid,omitempty"`
	Sectors    disk.Sector `json:"sectors"`
	SectorSize int         `json:"sector_size"`
}

// IDOf is how a device is known again.
func IDOf(f blockdev.Facts) CardID {
	return CardID{f.Identity.Model, f.Identity.Serial, f.Identity.Bus, f.CID, f.Sectors, f.SectorSize}
}

// Header is the first line.
type Header struct {
	Format  string    `json:"format"`
	Version int       `json:"version"`
	Writer  string    `json:"written_by,omitempty"`
	Kind    Kind      `json:"kind"`
	Plan    string    `json:"plan"` // its check number
	Card    CardID    `json:"card"`
	Node    string    `json:"node"` // a memory, never proof
	Created time.Time `json:"created"`
	Try     int       `json:"try,omitempty"`

	Sequence uint64     `json:"sequence,omitempty"` // of the device: counts up when a card comes
	All      bool       `json:"keep_all"`           // everything that is replaced is kept
	Fence    disk.Spans `json:"fence"`
	Kept     disk.Spans `json:"kept"`
	Mark     Mark       `json:"mark"`          // of a fenced card, or at the start of each stamp of a test
	New      *Content   `json:"new,omitempty"` // nil for tests
}

// Content is what has to be known of the planned card to know it again when
// the mark is replaced.
type Content struct {
	Sector0 []byte     `json:"sector0,omitempty"` // empty if it is not written
	Mark    []byte     `json:"mark"`              // the sector in which the mark lies until then
	Tables  disk.Spans `json:"tables"`            // second and first copies, and the data of both ends
	SHA256  string     `json:"sha256"`            // of these, in card order
}

type keptLine struct {
	disk.Span
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// Line is any line but the header.
type Line struct {
	Kept   *keptLine   `json:"kept,omitempty"`
	Sealed string      `json:"sealed,omitempty"`
	Stage  Stage       `json:"stage,omitempty"`
	Upto   disk.Sector `json:"upto,omitempty"`
	Differ disk.Spans  `json:"differ,omitempty"`
	Time   *time.Time  `json:"time,omitempty"`
}

// File is what a receipt asks of its file. Tests put faults in its place.
type File interface {
	io.ReaderAt
	io.Writer
	io.Closer
	Sync() error
	Truncate(int64) error
}

// Writer adds to a receipt.
type Writer struct {
	File File
	hash hash.Hash // of everything before the seal
}

// NewWriter begins a receipt.
func NewWriter(f File) *Writer { return &Writer{File: f, hash: sha256.New()} }

// Create makes a new receipt and locks it; it never opens what exists.
func Create(path string) (*os.File, error) { return newfile.Create(path, os.O_APPEND) }

// Append opens a receipt and takes it for this run, to add lines to it: whoever
// has it decides by what it says, and nobody else adds to it meanwhile.
func Append(path string) (*os.File, error) {
	return opened(path, func(path string) (*os.File, error) { return newfile.Open(path, os.O_APPEND) })
}

// opened says what a path is that is no file. open is newfile.Read, which takes
// the receipt for this run, or newfile.Peek, which takes nothing.
func opened(path string, open func(string) (*os.File, error)) (*os.File, error) {
	f, err := open(path)
	if errors.Is(err, newfile.ErrKind) {
		if st, lerr := os.Lstat(path); lerr == nil {
			return nil, &image.NotRegularError{Path: path, Kind: image.Kind(st.Mode())}
		}
	}
	return f, err
}

func (w *Writer) write(b []byte) error {
	if w.hash != nil {
		w.hash.Write(b)
	}
	_, err := w.File.Write(b)
	return err
}

// Line adds a line.
func (w *Writer) Line(v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return w.write(append(b, '\n'))
}

// Keep stores the content of the given sectors of the card.
func (w *Writer) Keep(dev image.Source, kept disk.Spans, stop func() error, progress func(n int64)) error {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedFastest),
		zstd.WithWindowSize(Chunk))
	if err != nil {
		return err
	}
	defer enc.Close()
	buf, frame := make([]byte, Chunk), []byte(nil)
	size := disk.Sector(dev.SectorSize())
	for _, s := range kept {
		for at := s.Start; at < s.End(); {
			if err := stop(); err != nil {
				return err
			}
			part := disk.Span{Start: at, Count: min(Chunk/size, s.End()-at)}
			b := buf[:part.Count*size]
			if err := image.ReadFull(dev, b, int64(part.Start*size)); err != nil {
				return err
			}
			frame = enc.EncodeAll(b, frame[:0])
			sum := sha256.Sum256(b)
			if err := w.Line(Line{Kept: &keptLine{part, int64(len(frame)), hex.EncodeToString(sum[:])}}); err != nil {
				return err
			}
			if err := w.write(append(frame, '\n')); err != nil {
				return err
			}
			progress(int64(len(b)))
			at = part.End()
		}
	}
	return nil
}

// Seal ends the kept content and makes it outlast a power cut.
func (w *Writer) Seal() error {
	sum := hex.EncodeToString(w.hash.Sum(nil))
	w.hash = nil
	if err := w.Line(Line{Sealed: sum}); err != nil {
		return err
	}
	return w.File.Sync()
}

// Stage notes that a stage begins, before it does.
func (w *Writer) Stage(s Stage, upto disk.Sector) error {
	return w.Note(Line{Stage: s, Upto: upto})
}

// Note adds a line behind the seal and makes it outlast a power cut.
func (w *Writer) Note(l Line) error {
	now := time.Now().UTC()
	l.Time = &now
	if err := w.Line(l); err != nil {
		return fmt.Errorf("noting %q in the receipt: %w", l.Stage, err)
	}
	if err := w.File.Sync(); err != nil {
		return fmt.Errorf("flushing the receipt: %w", err)
	}
	return nil
}

func (c CardID) String() string {
	name := c.Model
	if name == "" {
		name = "a card without a name"
	}
	if c.Serial != "" {
		name += ", serial number " + c.Serial
	}
	return fmt.Sprintf("%s, %s of %d bytes", name, disk.Counted(c.Sectors, "sector"), c.SectorSize)
}
