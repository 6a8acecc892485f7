package ext

import (
	"fmt"
	"io"
	"io/fs"
	"slices"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// ExtentKind says what a run of a file is made of.
type ExtentKind uint8

// The kinds of runs.
const (
	Data      ExtentKind = iota // bytes on the disk
	Hole                        // nothing is stored: reads as zeros
	Unwritten                   // sectors set aside and never written: reads as zeros, whatever they hold
)

// Extent is one run of a file. The extents of a file tile its bytes.
type Extent struct {
	Kind       ExtentKind
	FileOffset int64     // byte of the file where the run begins
	Bytes      int64     // of the file, in this run
	Sectors    disk.Span // of the volume, that hold those bytes; empty for a Hole
	Skip       int       // bytes before the run in its first sector: not 0 only for data kept in an inode
}

// File is one entry of a directory: a regular file, a directory, a symbolic
// link or a special file.
type File struct {
	Path     string // slash-separated from the root, which is "."; names are the bytes on the disk
	Inode    uint32
	Mode     fs.FileMode
	Links    int   // names that the inode says it has
	Size     int64 // bytes
	Modified time.Time
	Extents  []Extent // nil if Err is not
	Err      error    // why the bytes cannot be found: a *disk.FormatError, or a read error
}

// Open returns the bytes of a file of this volume: for a link the path that
// it names, for a directory its entries as they lie. If f.Err is not nil,
// every read fails with it.
func (v *Volume) Open(f File) *io.SectionReader {
	size := f.Size
	if f.Err != nil {
		size = max(1, size) // so that not even an empty file reads without the error
	}
	return io.NewSectionReader(&content{src: v.src, file: f}, 0, size)
}

type content struct {
	src  image.Source
	file File
}

// ReadAt implements io.ReaderAt.
func (c *content) ReadAt(p []byte, off int64) (int, error) {
	if c.file.Err != nil {
		return 0, c.file.Err
	}
	ext := c.file.Extents
	i, _ := slices.BinarySearchFunc(ext, off, func(e Extent, off int64) int {
		if e.FileOffset+e.Bytes <= off {
			return -1
		}
		return 1
	})
	n := 0
	for ; n < len(p) && i < len(ext); i++ {
		e := ext[i]
		in := off + int64(n) - e.FileOffset
		part := p[n:][:min(int64(len(p)-n), e.Bytes-in)]
		at := int64(e.Sectors.Start)*int64(c.src.SectorSize()) + int64(e.Skip) + in
		if e.Kind != Data {
			clear(part)
		} else if err := image.ReadFull(c.src, part, at); err != nil {
			return n, fmt.Errorf("%s, from byte %d: %w", c.file.Path, e.FileOffset+in, err)
		}
		n += len(part)
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}
