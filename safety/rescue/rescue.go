// Package rescue says of every file of a disk whether it is whole, what of it is
// lost, and copies files out into a folder that their names cannot leave.
package rescue

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"slices"

	"golang.org/x/text/encoding/charmap"

	"bootgraft/image"
	"bootgraft/image/capture/audio"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/files"
	"bootgraft/safety/newfile"
)

// File is one regular file. One that is not whole has no SHA-256.
type File struct {
	Path      string
	Volume    int
	Size      int64
	SHA256    string // empty also where it was not read
	Missing   []Hole
	Recording string // of a damaged file: wav or mpeg, if its times are known
	Written   string // its name in the folder
	Left      Left   // why the folder could not take it, if that was so
	Fault     error  // why nothing of it can be found, or nil
}

// Hole is a run of bytes that cannot be had, and of a recording the time that it
// spoils.
type Hole struct {
	files.Range
	Time *audio.Span // nil where it is no recording that is known
}

// Left is why one file was left out while others were copied.
type Left = newfile.Short

// What the folder may lack for one file.
const (
	NoRoom  = newfile.NoRoom
	TooBig  = newfile.TooBig
	BadName = newfile.BadName
)

// Whole tells whether every byte can be had.
func (f *File) Whole() bool { return len(f.Missing) == 0 && f.Fault == nil }

// Lost is how many bytes cannot be had.
func (f *File) Lost() (n int64) {
	for _, h := range f.Missing {
		n += h.Count
	}
	return n
}

// Options are choices of Run.
type Options struct {
	CodePage *charmap.Charmap // of short FAT names
	Into     *Folder          // where the files are copied; nil: nowhere
	Zero     bool             // copy files that are not whole too, with zeros in the holes
	NoHash   bool             // read nothing: neither SHA-256 nor times
	Times    bool             // with NoHash: of files that are not whole, which seconds of sound are hit
	Progress func(done, total int64)
}

// Result is what Run found, and what it copied.
type Result struct {
	Files      []File
	Findings   []disk.Finding // of the directories
	Bytes      int64          // of all files
	Incomplete bool           // there may be files that nobody could list
	Copied     int
	Damaged    int
	Zeroed     int // of these, how many were copied with zeros in the holes
	Left       int // files that the folder could not take
	LeftBytes  int64
	Untimed    int // files that have the time of their copying
}

// Run goes through the files of every volume that the survey of src found.
func Run(ctx context.Context, src image.Source, s *layout.Map, opt Options) (*Result, error) {
	r := &run{Options: opt, total: s.UsedBytes()}
	var err error
	r.Findings, err = files.Walk(ctx, src, s, files.Options{CodePage: opt.CodePage}, r.visit)
	r.Incomplete = slices.ContainsFunc(r.Findings, func(f disk.Finding) bool { return f.Hides })
	return &r.Result, err
}

type run struct {
	Options
	Result
	done, total int64
}

func (r *run) visit(f *files.File) error {
	out := File{Path: f.Path, Volume: f.Volume, Size: f.Size, Fault: f.Fault}
	out.lose(f, !r.NoHash || r.Times)
	r.Bytes += f.Size
	var err error
	switch {
	case !out.Whole():
		r.Damaged++
		if r.Zero && f.Fault == nil {
			if err = r.copy(f, &out, f.Zeroed()); out.Written != "" {
				r.Zeroed++
			}
		}
	case r.Into != nil:
		err = r.copy(f, &out, f.Reader())
	case !r.NoHash:
		err = r.hash(&out, f.Reader(), io.Discard)
	}
	r.Files = append(r.Files, out)
	return err
}

// lose notes what is missing of a file; with listen also which seconds.
func (f *File) lose(of *files.File, listen bool) {
	ranges := make([]audio.Range, len(of.Missing))
	for i, m := range of.Missing {
		f.Missing = append(f.Missing, Hole{Range: m})
		ranges[i] = audio.Range(m)
	}
	if len(ranges) == 0 || of.Fault != nil || !listen {
		return
	}
	kind, times := audio.Times(of.Reader(), of.Size, ranges)
	f.Recording = kind
	for i := range times {
		f.Missing[i].Time = &times[i]
	}
}

// hash hashes what it hands on. Bytes that stand for missing ones have no
// SHA-256.
func (r *run) hash(out *File, from io.Reader, to io.Writer) error {
	h := sha256.New()
	if _, err := io.CopyBuffer(io.MultiWriter(h, to, (*progress)(r)), from, make([]byte, 1<<20)); err != nil {
		return fmt.Errorf("%s: %w", out.Path, err)
	}
	if out.Whole() {
		out.SHA256 = hex.EncodeToString(h.Sum(nil))
	}
	return nil
}

// progress counts the bytes that were read.
type progress run

func (p *progress) Write(b []byte) (int, error) {
	p.done += int64(len(b))
	p.Options.Progress(min(p.done, p.total), p.total)
	return len(b), nil
}
