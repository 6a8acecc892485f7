package fat_test

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"testing"

	"github.com/diskfs/go-diskfs/backend"
	"github.com/diskfs/go-diskfs/filesystem"
	"github.com/diskfs/go-diskfs/filesystem/fat12"
	"github.com/diskfs/go-diskfs/filesystem/fat16"
	"github.com/diskfs/go-diskfs/filesystem/fat32"

	"bootgraft/image"
	"bootgraft/layout/volume/fat"
)

// readOnly hands a source to go-diskfs. It remembers failed reads, because
// go-diskfs drops them.
type readOnly struct {
	*io.SectionReader
	err error
}

func (r *readOnly) ReadAt(p []byte, off int64) (int, error) {
	n, err := r.SectionReader.ReadAt(p, off)
	if err != nil && err != io.EOF {
		r.err = err
	}
	return n, err
}

func (r *readOnly) Stat() (fs.FileInfo, error)              { return nil, errors.ErrUnsupported }
func (r *readOnly) Close() error                            { return nil }
func (r *readOnly) Sys() (*os.File, error)                  { return nil, errors.ErrUnsupported }
func (r *readOnly) Writable() (backend.WritableFile, error) { return nil, errors.ErrUnsupported }
func (r *readOnly) Path() string                            { return "" }

func secondReader(src image.Source, v *fat.Volume) (*readOnly, filesystem.FileSystem, error) {
	b := &readOnly{SectionReader: io.NewSectionReader(src, 0, src.Size())}
	const block = 0 // as the boot sector says
	var out filesystem.FileSystem
	var err error
	switch v.Kind {
	case fat.FAT12:
		out, err = fat12.Read(b, src.Size(), 0, block)
	case fat.FAT16:
		out, err = fat16.Read(b, src.Size(), 0, block)
	default:
		out, err = fat32.Read(b, src.Size(), 0, block)
	}
	return b, out, err
}

// checkSecond compares contents by go-diskfs, which reads what ours has proved
// sound. It cannot read a volume with one table, gives surrogate pairs wrong,
// and returns an error for an empty file.
func checkSecond(t *testing.T, m *made) {
	t.Helper()
	if m.V.BPB.FATs != 2 {
		return
	}
	b, second, err := secondReader(m.Src, m.V)
	if err != nil {
		t.Fatal(err)
	}
	same := 0
	for f := range m.V.NewWalk(m.T, fat.WalkOptions{}).Files() {
		if f.Dir || f.Size == 0 {
			continue
		}
		h, err := second.Open(f.Path)
		if err != nil {
			t.Errorf("%s: %v", f.Path, err)
			continue
		}
		got, err := readInLargeSteps(h, f.Size)
		if err != nil || !bytes.Equal(got, m.Tree[f.Path]) {
			t.Errorf("%s: the second reader differs: %d bytes of %d, %v", f.Path, len(got), f.Size, err)
		}
		same++
	}
	if b.err != nil || same < 30 {
		t.Errorf("%d files compared, %v", same, b.err)
	}
}

// readInLargeSteps reads at most n bytes in steps of 1 MiB: go-diskfs returns
// what lies behind the end of a file to a smaller buffer.
func readInLargeSteps(r io.Reader, n int64) ([]byte, error) {
	var out bytes.Buffer
	_, err := io.CopyBuffer(struct{ io.Writer }{&out}, struct{ io.Reader }{io.LimitReader(r, n)}, make([]byte, 1<<20))
	return out.Bytes(), err
}
