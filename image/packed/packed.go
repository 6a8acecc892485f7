// Package packed is an image that is compressed in blocks, each a whole zstd frame of
// its own (RFC 8878), so that any sector is read without unpacking the rest. Any zstd
// program unpacks the whole file: what it does not know is a skippable frame (RFC 8878,
// 3.1.2), which it passes over.
//
//	+---------+---------+-----+---------------------------------------------------+
//	| frame 0 | frame 1 | ... | skippable frame: the index                        |
//	+---------+---------+-----+---------------------------------------------------+
//	  each of 4 MiB unpacked, the last one of what is left
//
//	the index, little-endian:
//	  4  184D2A5Bh, the number of a skippable frame
//	  4  how many bytes follow
//	  for each frame: 4 bytes, its length packed; 32 bytes, SHA-256 of what is in it
//	  8  bytes in the image
//	  4  how many frames
//	  8  "BGPACK 1"
//
// The index is found from the end. A block whose SHA-256 is that of zeros is a hole.
package packed

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"sync"

	"github.com/klauspost/compress/zstd"

	"bootgraft/image"
)

// Block is how many bytes one frame holds: part of the form. Smaller ones pack worse,
// larger ones make every read slower; by hand, no source.
const Block = 4 << 20

const (
	skippable = 0x184D2A5B
	magic     = "BGPACK 1"
	entrySize = 4 + sha256.Size
	footSize  = 8 + 4 + len(magic)
	// mostPacked is the most that a frame of zstd may take for a block that does not
	// pack: blocks of 128 KiB with 3 bytes before each, and the ends (RFC 8878, 3.1.1).
	mostPacked = Block + Block/(128<<10)*3 + 64
)

// FormError says that a packed image is damaged.
type FormError struct{ Path, Why string }

func (e *FormError) Error() string {
	return fmt.Sprintf("the packed image %s is damaged: %s", e.Path, e.Why)
}

// Image is an image file, packed or as it is.
type Image interface {
	image.Source
	image.Sparse
	Name() string
	Stat() (fs.FileInfo, error)
	Close() error
}

// Suffix is what the name of a packed image ends with.
const Suffix = ".zst"

// OpenImage opens an image file, packed or as it is, by its content.
func OpenImage(path string, sectorSize int) (Image, error) {
	f, err := image.Open(path, sectorSize)
	if err != nil {
		return nil, err
	}
	if !Is(f) {
		return f, nil
	}
	if err := f.Close(); err != nil {
		return nil, err
	}
	return Open(path, sectorSize)
}

type frame struct {
	at, size int64 // in the file
	sum      [sha256.Size]byte
}

// File is a packed image, opened for reading. It is an image.Source and image.Sparse.
type File struct {
	f          *image.File
	size       int64
	sectorSize int
	frames     []frame
	dec        *zstd.Decoder

	mu   sync.Mutex // guards what follows
	have int        // the block that is unpacked, or -1
	data []byte
}

// Is tells whether a file ends as a packed image does.
func Is(f image.Source) bool {
	foot := make([]byte, len(magic))
	return f.Size() > int64(footSize) && image.ReadFull(f, foot, f.Size()-int64(len(magic))) == nil &&
		string(foot) == magic
}

// Open opens a packed image. The error is a *FormError if its index is damaged; a block
// that is, is found when it is read.
func Open(path string, sectorSize int) (*File, error) {
	f, err := image.Open(path, sectorSize)
	if err != nil {
		return nil, err
	}
	p := &File{f: f, sectorSize: sectorSize, have: -1}
	if err := p.index(); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	if p.dec, err = zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(2*Block)); err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return p, nil
}

func (p *File) damaged(why string, args ...any) error {
	return &FormError{p.f.Name(), fmt.Sprintf(why, args...)}
}

// index reads where every frame lies. Its length is bounded by that of the file.
func (p *File) index() error {
	if !Is(p.f) {
		return p.damaged("it does not end as a packed image does")
	}
	foot := make([]byte, footSize)
	if err := image.ReadFull(p.f, foot, p.f.Size()-int64(footSize)); err != nil {
		return err
	}
	p.size = int64(binary.LittleEndian.Uint64(foot))
	n := int64(binary.LittleEndian.Uint32(foot[8:]))
	length := n*entrySize + int64(footSize)
	begin := p.f.Size() - length - 8
	if begin < 0 || p.size < 0 || n != p.size/Block+min(1, p.size%Block) {
		return p.damaged("its index names %d blocks for %d bytes", n, p.size)
	}
	b := make([]byte, 8+n*entrySize)
	if err := image.ReadFull(p.f, b, begin); err != nil {
		return err
	}
	if binary.LittleEndian.Uint32(b) != skippable || int64(binary.LittleEndian.Uint32(b[4:])) != length {
		return p.damaged("its index does not begin as it should")
	}
	at := int64(0)
	for e := b[8:]; len(e) > 0; e = e[entrySize:] {
		fr := frame{at: at, size: int64(binary.LittleEndian.Uint32(e)), sum: [sha256.Size]byte(e[4:entrySize])}
		if fr.size > mostPacked {
			return p.damaged("block %d takes %d bytes", len(p.frames), fr.size)
		}
		p.frames = append(p.frames, fr)
		at += fr.size
	}
	if at != begin {
		return p.damaged("its blocks end at byte %d, and its index begins at %d", at, begin)
	}
	return nil
}

// Size returns the bytes of the image unpacked.
func (p *File) Size() int64 { return p.size }

// SectorSize returns the logical sector size in bytes that Open was given.
func (p *File) SectorSize() int { return p.sectorSize }

// Name returns the path that Open was given.
func (p *File) Name() string { return p.f.Name() }

// Stat describes the open file, packed as it is.
func (p *File) Stat() (fs.FileInfo, error) { return p.f.Stat() }

// Close closes the file.
func (p *File) Close() error {
	p.dec.Close()
	return p.f.Close()
}

// blockBytes is how much block i holds.
func (p *File) blockBytes(i int) int64 { return min(Block, p.size-int64(i)*Block) }

// ReadAt unpacks the blocks that are asked for, and proves each by its SHA-256.
func (p *File) ReadAt(b []byte, off int64) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("reading at byte %d: %w", off, os.ErrInvalid)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	done := 0
	for done < len(b) {
		at := off + int64(done)
		if at >= p.size {
			return done, io.EOF
		}
		if err := p.load(int(at / Block)); err != nil {
			return done, err
		}
		done += copy(b[done:], p.data[at%Block:])
	}
	return done, nil
}

// load unpacks one block.
func (p *File) load(i int) error {
	if p.have == i {
		return nil
	}
	p.have = -1
	raw := make([]byte, p.frames[i].size)
	if err := image.ReadFull(p.f, raw, p.frames[i].at); err != nil {
		return err
	}
	var err error
	if p.data, err = p.dec.DecodeAll(raw, p.data[:0]); err != nil {
		return p.damaged("bytes %d on cannot be unpacked: %v", int64(i)*Block, err)
	}
	if int64(len(p.data)) != p.blockBytes(i) || sha256.Sum256(p.data) != p.frames[i].sum {
		return p.damaged("bytes %d to %d are not what was packed", int64(i)*Block, int64(i)*Block+p.blockBytes(i)-1)
	}
	p.have = i
	return nil
}

// zeroSum is that of a block of zeros.
var zeroSum = sync.OnceValue(func() [sha256.Size]byte { return sha256.Sum256(make([]byte, Block)) })

// NextData implements image.Sparse: blocks of zeros are holes.
func (p *File) NextData(off int64) (start, end int64) {
	for off < p.size {
		i := int(off / Block)
		next := min(p.size, int64(i+1)*Block)
		if p.frames[i].sum != zeroSum() {
			return off, next
		}
		off = next
	}
	return p.size, p.size
}

// Writer packs what is written to it.
type Writer struct {
	to    io.Writer
	enc   *zstd.Encoder
	block []byte
	index bytes.Buffer
	size  int64
	count uint32
	out   []byte
}

// NewWriter returns a writer; Close ends the file, and leaves to open.
func NewWriter(to io.Writer) (*Writer, error) {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(Block))
	if err != nil {
		return nil, err
	}
	return &Writer{to: to, enc: enc, block: make([]byte, 0, Block)}, nil
}

// Write implements io.Writer.
func (w *Writer) Write(b []byte) (int, error) {
	done := 0
	for done < len(b) {
		n := min(len(b)-done, Block-len(w.block))
		w.block = append(w.block, b[done:done+n]...)
		done += n
		if len(w.block) == Block {
			if err := w.flush(); err != nil {
				return done, err
			}
		}
	}
	return done, nil
}

// flush packs one block.
func (w *Writer) flush() error {
	sum := sha256.Sum256(w.block)
	w.out = w.enc.EncodeAll(w.block, w.out[:0])
	w.index.Write(binary.LittleEndian.AppendUint32(nil, uint32(len(w.out))))
	w.index.Write(sum[:])
	w.size += int64(len(w.block))
	w.count++
	w.block = w.block[:0]
	_, err := w.to.Write(w.out)
	return err
}

// Close writes what is left, and the index.
func (w *Writer) Close() error {
	defer w.enc.Close()
	if len(w.block) > 0 {
		if err := w.flush(); err != nil {
			return err
		}
	}
	head := binary.LittleEndian.AppendUint32(nil, skippable)
	head = binary.LittleEndian.AppendUint32(head, uint32(w.index.Len()+footSize))
	foot := binary.LittleEndian.AppendUint64(nil, uint64(w.size))
	foot = append(binary.LittleEndian.AppendUint32(foot, w.count), magic...)
	for _, b := range [][]byte{head, w.index.Bytes(), foot} {
		if _, err := w.to.Write(b); err != nil {
			return err
		}
	}
	return nil
}
