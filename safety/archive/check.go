package archive

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/safety/newfile"
)

// Found is what an archive looks like today.
type Found struct {
	Files   int      // that the list names
	Damaged []string // they hold something else than was written
	Missing []string
	Added   []string // they are not in the list
}

// Whole tells whether everything is there as it was written. A file that was added
// harms nothing.
func (f *Found) Whole() bool { return len(f.Damaged)+len(f.Missing) == 0 }

// NoArchiveError says that a folder is no archive, or that its list cannot be read.
type NoArchiveError struct{ Dir, Why string }

func (e *NoArchiveError) Error() string {
	return fmt.Sprintf("%s is no archive that can be checked: %s", e.Dir, e.Why)
}

// maxContents bounds the list of files: by hand, no source; a line a file.
const maxContents = 16 << 20

// Check reads every file of an archive and compares it with the list. progress is told
// how many bytes of how many were read.
func Check(ctx context.Context, dir string, progress func(done, total int64)) (*Found, error) {
	var done, total int64
	for name, err := range walk(os.DirFS(dir)) {
		if st, serr := os.Stat(filepath.Join(dir, filepath.FromSlash(name))); err == nil && serr == nil {
			total += st.Size()
		}
	}
	return check(ctx, dir, func(n int64) {
		done += n
		progress(min(done, total), total)
	})
}

// check is Check, told of each read alone.
func check(ctx context.Context, dir string, progress func(n int64)) (*Found, error) {
	root, err := newfile.ReadFolder(dir)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	list, err := contents(root, dir)
	if err != nil {
		return nil, err
	}
	out := &Found{Files: len(list)}
	for _, l := range list {
		sum, err := hashFile(ctx, root, l.name, progress)
		switch {
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case errors.Is(err, fs.ErrNotExist):
			out.Missing = append(out.Missing, l.name)
		case err != nil || sum != l.sum: // what cannot be read is not as it was
			out.Damaged = append(out.Damaged, l.name)
		}
	}
	out.Added, err = added(root.FS(), list)
	return out, err
}

// line is one file of the list.
type line struct{ sum, name string }

// contents reads the list.
func contents(root *os.Root, dir string) ([]line, error) {
	f, err := root.Open(ContentsName)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &NoArchiveError{dir, "it has no " + ContentsName}
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxContents+1))
	if err != nil {
		return nil, err
	}
	if len(b) > maxContents {
		return nil, &NoArchiveError{dir, ContentsName + " is too long"}
	}
	var out []line
	n := 0
	for text := range strings.Lines(string(b)) {
		n++
		sum, name, ok := strings.Cut(strings.TrimRight(text, "\r\n"), "  ")
		raw, err := hex.DecodeString(sum)
		if !ok || err != nil || len(raw) != sha256.Size || !filepath.IsLocal(filepath.FromSlash(name)) {
			return nil, &NoArchiveError{dir, fmt.Sprintf("line %d of %s is damaged", n, ContentsName)}
		}
		out = append(out, line{strings.ToLower(sum), name})
	}
	// What is put in last is named last, so a list that lost whole lines does not name it.
	if !slices.ContainsFunc(out, func(l line) bool { return l.name == HowName }) || b[len(b)-1] != '\n' {
		return nil, &NoArchiveError{dir, ContentsName + " is cut off"}
	}
	return out, nil
}

// hashFile hashes one file of the folder.
func hashFile(ctx context.Context, root *os.Root, name string, progress func(n int64)) (string, error) {
	name = filepath.FromSlash(name)
	if st, err := root.Stat(name); err != nil {
		return "", err
	} else if !st.Mode().IsRegular() { // a pipe would wait for ever
		return "", newfile.ErrKind
	}
	f, err := root.Open(name)
	if err != nil {
		return "", err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return "", err
	}
	h, buf := sha256.New(), make([]byte, block)
	for at := int64(0); ; {
		n, err := image.ReadStored(f, buf, at, st.Size())
		h.Write(buf[:n])
		at += int64(n)
		progress(int64(n))
		switch {
		case err == io.EOF:
			return hex.EncodeToString(h.Sum(nil)), nil
		case err != nil:
			return "", err
		case ctx.Err() != nil:
			return "", ctx.Err()
		}
	}
}

// added lists files that the list does not name.
func added(folder fs.FS, list []line) (out []string, err error) {
	known := map[string]bool{ContentsName: true, newfile.Mark: true}
	for _, l := range list {
		known[path.Clean(l.name)] = true
	}
	for name, err := range walk(folder) {
		if err != nil {
			return nil, err
		}
		if !known[name] {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out, nil
}

// walk lists the files of a folder and of those below it.
func walk(folder fs.FS) iter.Seq2[string, error] {
	return func(yield func(string, error) bool) {
		_ = fs.WalkDir(folder, ".", func(name string, d fs.DirEntry, err error) error { // an error was yielded
			if err == nil && d.IsDir() {
				return nil
			}
			if !yield(name, err) {
				return fs.SkipAll
			}
			return nil
		})
	}
}
