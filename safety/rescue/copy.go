package rescue

import (
	"context"
	"errors"
	"io"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/scan/files"
	"bootgraft/safety/newfile"
)

// Need is what all files that would be copied take.
type Need struct {
	Files int
	Bytes int64
}

// Needs adds up the files that Run copies with the same options. It reads directories alone.
func Needs(ctx context.Context, src image.Source, s *layout.Map, opt Options) (n Need, err error) {
	_, err = files.Walk(ctx, src, s, files.Options{CodePage: opt.CodePage}, func(f *files.File) error {
		if f.Fault == nil && (opt.Zero || len(f.Missing) == 0) {
			n.Files++
			n.Bytes += f.Size
		}
		return nil
	})
	return n, err
}

// storeError is one of the folder, not of the disk that is read: of making a file, or
// of filling it.
type storeError struct {
	err    error
	making bool
}

func (e *storeError) Error() string { return e.err.Error() }
func (e *storeError) Unwrap() error { return e.err }

// storing tells an error of the folder from one of the disk.
func storing(err error) error {
	if err == nil {
		return nil
	}
	return &storeError{err: err}
}

// leftFor is why a file is left out although others may be copied, or empty.
func leftFor(err error) Left {
	var e *storeError
	if !errors.As(err, &e) {
		return ""
	}
	why := newfile.ShortOf(e)
	if why == BadName && !e.making { // of a file that is there the same numbers say something else
		return ""
	}
	return why
}

// copy copies a file out, or leaves it out where the folder cannot take this one.
func (r *run) copy(f *files.File, out *File, from io.Reader) error {
	before := r.done
	err := r.fill(f, out, from)
	if out.Left = leftFor(err); out.Left == "" {
		return err
	}
	r.Left++
	r.LeftBytes += f.Size
	r.done = before + f.Size // what is left out is done with too
	return nil
}

// fill copies a file out and hashes it on the way. Nothing stays of one that fails.
func (r *run) fill(f *files.File, out *File, from io.Reader) error {
	dst, err := r.Into.Create(f)
	if err != nil {
		return &storeError{err, true}
	}
	defer dst.Abandon()
	if err := takeRoom(dst, f.Size); err != nil {
		return err
	}
	if err := r.hash(out, from, storeWriter{dst}); err != nil {
		return err
	}
	switch err := dst.Finish(f.Modified); {
	case errors.Is(err, newfile.ErrTime):
		r.Untimed++ // its bytes are there
	case err != nil:
		return storing(err)
	}
	out.Written = dst.Name
	r.Copied++
	r.Into.changed(f, dst.Name)
	return nil
}

// takeRoom asks for the room of a large file before it is read: a dying drive is not read
// for a file that does not fit. What is small fails as quickly: by hand, no source.
func takeRoom(dst *newfile.Copied, size int64) error {
	if size < 256<<10 {
		return nil
	}
	return storing(newfile.Reserve(dst.File, size))
}

// storeWriter marks the errors of a file that is written.
type storeWriter struct{ to io.Writer }

func (w storeWriter) Write(p []byte) (int, error) {
	n, err := w.to.Write(p)
	return n, storing(err)
}
