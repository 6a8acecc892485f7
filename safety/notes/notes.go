// Package notes keeps what a person saw at the bench in a plain text file beside the
// image of a drive. The program writes a form with blanks once, and from then on adds
// lines at the end: what stands there, typed by hand or not, is never written over.
//
//	Notes of a drive at the bench          the first line, by which the file is known
//	Fill in what stands behind ...         for people
//
//	Device:                                a blank: its name, a colon, what was seen
//	Drive (label, both sides):
//	...
//
//	2026-11-30 20:59  it clicked twice     a line of the verb note, local time
package notes

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"bootgraft/safety/newfile"
)

// Suffix is what the name of the notes has after that of the image.
const Suffix = ".notes.txt"

// title opens every file of notes.
const title = "Notes of a drive at the bench"

// blanks are what is asked: what `help before` says to find out while the old drive is
// still there. That page ends with the same list, to fill in by hand.
var blanks = []string{
	"Device", "Drive (label, both sides)", "Jumpers", "Cable, its side, and pin 1", "Boards, and markings on them",
	"Supply at the plug, at rest and at start (V)", "Display, word for word", "Set-up screens", "Noises, and when",
	"Battery that holds the settings", "Photos",
}

// Blanks returns what the form asks, in its order.
func Blanks() []string { return slices.Clone(blanks) }

// form is what a new file holds.
var form = title + `
Fill in what stands behind the colons, and add what you like: nothing that you
write here is changed. "bootgraft note" adds a dated line at the end.

` + strings.Join(blanks, ":\n") + ":\n\n"

// maxBytes bounds what is read of a file of notes, and maxLine a line that is added:
// by hand, no source; a person types less in a year.
const (
	maxBytes = 1 << 20
	maxLine  = 4096
)

// dated is how the time of a line is written.
const dated = "2006-01-02 15:04"

// ForeignError says that a file bears the name of notes, or is named as a text to add
// to, and is none. It was left as it is.
type ForeignError struct{ Path, Why string }

func (e *ForeignError) Error() string {
	return fmt.Sprintf("%s is left as it is: %s. Give that file another name, or make it begin with the line %q", e.Path,
		e.Why, title)
}

// LineError says why a text cannot be a line of notes.
type LineError struct{ Why string }

func (e *LineError) Error() string { return e.Why }

// Is tells whether a file that begins so is one of notes. A mark of the byte order
// and the line ends of other systems, which editors leave, do not matter.
func Is(head []byte) bool {
	first, _, _ := bytes.Cut(bytes.TrimPrefix(head, []byte("\uFEFF")), []byte("\n"))
	return string(bytes.TrimSpace(first)) == title
}

// Make makes the notes beside an image, if there are none. made is false where they are
// there already. The error is a *ForeignError if another file has the name.
func Make(image string) (path string, made bool, err error) {
	path = image + Suffix
	f, have, err := open(path)
	if err != nil {
		return path, false, err
	}
	defer f.Close()
	rest, err := missing(path, have)
	if err != nil || rest == "" {
		return path, false, err
	}
	return path, true, add(f, len(have), rest)
}

// Add adds a line to the notes beside an image, and makes them if there are none.
func Add(image, text string, now time.Time) (path, line string, err error) {
	path = image + Suffix
	if line, err = Line(text, now); err != nil {
		return path, "", err
	}
	f, have, err := open(path)
	if err != nil {
		return path, "", err
	}
	defer f.Close()
	rest, err := missing(path, have)
	if err != nil {
		return path, "", err
	}
	return path, line, add(f, len(have), rest+lineBehind(have, line))
}

// AddTo adds a line to any text of the owner's, such as a list of cards, and makes an
// empty one if there is none.
func AddTo(path, text string, now time.Time) (line string, err error) {
	if line, err = Line(text, now); err != nil {
		return "", err
	}
	f, have, err := open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	if bytes.IndexByte(have, 0) >= 0 || !utf8.Valid(have) {
		return "", &ForeignError{path, "it is no plain text in UTF-8"}
	}
	return line, add(f, len(have), lineBehind(have, line))
}

// Read returns the notes beside an image, nil if there are none.
func Read(image string) ([]byte, error) {
	path := image + Suffix
	f, err := newfile.Peek(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	have, err := readAll(f, path)
	if err == nil && !Is(have) {
		err = &ForeignError{path, "it does not begin as notes of this program do"}
	}
	if err != nil {
		return nil, err
	}
	return have, nil
}

// Line returns a line as it is written, with its date. Ends of lines in the text become
// blanks; what else would steer a terminal is an error.
func Line(text string, now time.Time) (string, error) {
	text = strings.Join(strings.Fields(text), " ")
	if text == "" {
		return "", &LineError{"a note needs a text"}
	}
	if len(text) > maxLine {
		return "", &LineError{fmt.Sprintf("a note of %d bytes is too long: %d are allowed; write more of them", len(text),
			maxLine)}
	}
	for i, r := range text {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return "", &LineError{fmt.Sprintf("byte %d of the note is no text that can be printed: %q", i,
				text[i:min(len(text), i+4)])}
		}
	}
	return now.Format(dated) + "  " + text, nil
}

// Answers returns what is written behind the colons of some blanks, with the names of
// these: Device and Drive are what another owner of the model may know.
func Answers(text []byte, blanks ...string) (out []string) {
	for line := range strings.Lines(string(text)) {
		name, answer, ok := strings.Cut(line, ":")
		name, _, _ = strings.Cut(name, " (") // a hint behind the name
		answer = strings.TrimSpace(answer)
		for _, b := range blanks {
			if ok && answer != "" && strings.EqualFold(strings.TrimSpace(name), b) {
				out = append(out, b+": "+answer)
			}
		}
	}
	return out
}

// missing returns what is to be written before a file is one of notes: nothing, or the
// form, of which the power may have left the beginning of its first line.
func missing(path string, have []byte) (string, error) {
	switch {
	case Is(have):
		return "", nil
	case strings.HasPrefix(form, string(have)):
		return form[len(have):], nil
	}
	return "", &ForeignError{path, "it does not begin as notes of this program do"}
}

// lineBehind returns a line with an end of the line before it where that has none, and
// ends it as the lines of the file do.
func lineBehind(have []byte, line string) string {
	end := "\n"
	if bytes.HasSuffix(have, []byte("\r\n")) {
		end = "\r\n"
	}
	if len(have) > 0 && have[len(have)-1] != '\n' {
		line = end + line
	}
	return line + end
}

// open opens or makes a file that is added to, and returns what it holds.
func open(path string) (*os.File, []byte, error) {
	f, err := newfile.Open(path, os.O_APPEND)
	if errors.Is(err, fs.ErrNotExist) {
		f, err = newfile.Create(path, os.O_APPEND)
	}
	if err != nil {
		return nil, nil, err
	}
	have, err := readAll(f, path)
	if err != nil {
		return nil, nil, errors.Join(err, f.Close())
	}
	return f, have, nil
}

func readAll(f *os.File, path string) ([]byte, error) {
	have, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err == nil && len(have) > maxBytes {
		err = &ForeignError{path, fmt.Sprintf("it has more than %d bytes, and no notes have", maxBytes)}
	}
	return have, err
}

// add writes behind what a file holds. Where that fails, as on a full disk, the file is
// cut to what it was: no half line stays.
func add(f *os.File, size int, text string) error {
	_, err := f.WriteString(text)
	if err == nil {
		err = f.Sync()
	}
	if err != nil {
		return fmt.Errorf("%s stays as it was: %w", f.Name(), errors.Join(err, f.Truncate(int64(size))))
	}
	return nil
}
