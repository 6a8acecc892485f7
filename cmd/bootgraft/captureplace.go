package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"

	"bootgraft/image/capture"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/newfile"
)

// imagePlace refuses a place where an image must not, or cannot, come to lie.
// It is asked before the drive is opened.
func imagePlace(source, img string) error {
	dir := filepath.Dir(img)
	st, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return refusef("there is no folder %s for the image; make it first: mkdir -p %s", dir, shellWord(dir))
	case err != nil:
		return err
	case !st.IsDir():
		return refusef("%s is not a folder, so %s cannot be made", dir, img)
	}
	dev, err := newfile.UnderDev(dir)
	if err != nil {
		return err
	}
	if dev {
		return refusef("%s would lie among the device nodes, in memory, and be gone after the next start; give a place on another disk", img)
	}
	if _, err := os.Lstat(source + capture.RecordSuffix); err == nil && source != "next" {
		return refusef("%s is a capture already: to keep it elsewhere copy it together with %s%s; to put two captures together use --merge", source, source, capture.RecordSuffix)
	}
	return nil
}

// onAnotherDisk refuses an image that lies on the old drive itself.
func onAnotherDisk(d capture.Drive, img string) error {
	src, ok := d.(*blockdev.Source)
	if !ok {
		return nil
	}
	on, err := src.Carries(filepath.Dir(img))
	if err != nil {
		return fmt.Errorf("whether %s lies on %s could not be found out: %w", img, src.Name(), err)
	}
	if on {
		return refusef("%s would lie on the old drive itself, %s, and writing it would destroy what is to be saved; give a place on another disk", img, src.Name())
	}
	return nil
}

// permissionError says which line to type instead.
func permissionError(what string, err error) error {
	if runtime.GOOS == "windows" {
		return fmt.Errorf("no permission for %s: %w. Try again as administrator", what, err)
	}
	words := []string{"sudo"}
	for _, a := range os.Args {
		words = append(words, shellWord(a))
	}
	return fmt.Errorf("no permission for %s: %w. Type:\n\n  %s", what, err, strings.Join(words, " "))
}

// ansiWord quotes a word with bytes that are not to be shown, for the shells that
// know $'...' (POSIX.1-2024, Shell Command Language, 2.2.4).
func ansiWord(s string) string {
	var b strings.Builder
	b.WriteString("$'")
	for i := range len(s) {
		switch c := s[i]; {
		case c == '\'' || c == '\\':
			b.WriteString("\\" + string(rune(c)))
		case c < 0x20 || c >= 0x7F:
			fmt.Fprintf(&b, "\\%03o", c) // always three digits: a digit may follow
		default:
			b.WriteByte(c)
		}
	}
	b.WriteString("'")
	return b.String()
}

// shellWord quotes a word for the shell, if it has to be.
func shellWord(s string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("/._-+=:,%@", r)
	}
	if s != "" && strings.IndexFunc(s, func(r rune) bool { return !plain(r) }) < 0 {
		return s
	}
	if visible(s) != s || strings.ContainsAny(s, "\n\t") {
		return ansiWord(s)
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
