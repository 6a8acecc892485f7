package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"strings"
	"time"
	"unicode"

	"bootgraft/layout/files"
)

// output is the folder that recordings are copied into. Names from a disk can
// never lead out of it.
type output struct {
	dir     string
	root    *os.Root
	changed []string // names that had to be changed: "old -> new"
	written int
}

// newOutput opens a folder that is new or empty, so that nothing is
// overwritten.
func newOutput(dir string) (*output, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("the folder %s cannot be made: %w", dir, err)
	}
	giveToCaller(dir)
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	f, err := root.Open(".")
	if err == nil {
		_, err = f.Readdirnames(1)
		f.Close()
	}
	switch {
	case errors.Is(err, io.EOF):
		return &output{dir: dir, root: root}, nil
	case err == nil:
		err = refusef("the folder %s is not empty; nothing is copied over other files. Give a new folder", dir)
	}
	root.Close()
	return nil, err
}

func (o *output) close() { o.root.Close() }

func (o *output) report(u *ui) {
	u.answerf("%s copied to %s\n", counted(o.written, "file"), o.dir)
	if len(o.changed) > 0 {
		u.answerf("%s not safe here, and changed:\n", counted(len(o.changed), "name"))
		for _, c := range o.changed {
			u.answerf("  %s\n", c)
		}
	}
}

// write makes one more new file, of words.
func (o *output) write(name, text string) error {
	f, err := o.root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	return errors.Join(err, giveFileToCaller(f), f.Close())
}

// copied is a file that is being copied out.
type copied struct {
	*os.File
	out  *output
	name string
	done bool
}

// create makes a new file for f, under a safe name that nothing has yet.
func (o *output) create(f *files.File) (*copied, error) {
	want := fmt.Sprintf("volume-%d/%s", f.Volume, f.Path)
	name := safePath(want)
	if err := o.root.MkdirAll(path.Dir(name), 0o755); err != nil {
		return nil, fmt.Errorf("a folder for %s cannot be made: %w", name, err)
	}
	for try := 1; ; try++ {
		at := name
		if try > 1 {
			ext := path.Ext(name)
			at = fmt.Sprintf("%s~%d%s", strings.TrimSuffix(name, ext), try, ext)
		}
		w, err := o.root.OpenFile(at, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
		if errors.Is(err, fs.ErrExist) && try < 10000 {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("%s cannot be made: %w", at, err)
		}
		if err := o.giveAway(w, at); err != nil {
			return nil, errors.Join(err, w.Close())
		}
		if at != want {
			o.changed = append(o.changed, fmt.Sprintf("%s -> %s", printable(want), at))
		}
		return &copied{File: w, out: o, name: at}, nil
	}
}

// giveAway makes a new file, and the folders on the way to it, belong to the
// caller of sudo.
func (o *output) giveAway(f *os.File, name string) error {
	uid, gid, ok := caller()
	for dir := path.Dir(name); ok && dir != "."; dir = path.Dir(dir) {
		if err := o.root.Lchown(dir, uid, gid); err != nil {
			return err
		}
	}
	return giveFileToCaller(f)
}

// finish flushes the file and gives it its time.
func (c *copied) finish(modified time.Time) error {
	c.done = true
	if err := c.Close(); err != nil {
		return fmt.Errorf("%s: %w", c.name, err)
	}
	c.out.written++
	if modified.IsZero() {
		return nil
	}
	return c.out.root.Chtimes(c.name, modified, modified)
}

// abandon removes a file that was not finished.
func (c *copied) abandon() {
	if !c.done {
		c.Close()
		_ = c.out.root.Remove(c.name) // best effort: the error that led here is told
	}
}

// reserved are names that Windows keeps for devices.
var reserved = map[string]bool{
	"CON": true, "PRN": true, "AUX": true, "NUL": true,
	"COM1": true, "COM2": true, "COM3": true, "COM4": true, "COM5": true, "COM6": true, "COM7": true, "COM8": true, "COM9": true,
	"LPT1": true, "LPT2": true, "LPT3": true, "LPT4": true, "LPT5": true, "LPT6": true, "LPT7": true, "LPT8": true, "LPT9": true,
}

// safePath changes each name of a path so that every system can hold it.
func safePath(p string) string {
	parts := strings.Split(p, "/")
	for i, s := range parts {
		parts[i] = safeName(s)
	}
	return strings.Join(parts, "/")
}

func safeName(s string) string {
	out := strings.Map(func(r rune) rune {
		if r < 0x20 || r == 0x7F || r == unicode.ReplacementChar || strings.ContainsRune(`<>:"\|?*`, r) {
			return '_'
		}
		return r
	}, strings.ToValidUTF8(s, "_"))
	if trimmed := strings.TrimRight(out, ". "); trimmed != out {
		out = trimmed + "_"
	}
	base, _, _ := strings.Cut(out, ".")
	if reserved[strings.ToUpper(base)] {
		out = "_" + out
	}
	if len(out) > 200 {
		out = strings.ToValidUTF8(out[:200], "")
	}
	return out
}

// printable shows a name from a disk without letting it steer the terminal.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return '?'
	}, strings.ToValidUTF8(s, "?"))
}
