package input

import (
	"errors"
	"os"
	"path/filepath"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/safety"
	"bootgraft/safety/archive"
	"bootgraft/safety/newfile"
	"bootgraft/safety/notes"
)

// OwnText refuses a name that cannot stand for a text of the owner's: a file of this
// program, or a place that is gone after the next start.
func OwnText(path string) error {
	under, err := newfile.UnderDev(newfile.FolderOf(path))
	switch {
	case errors.Is(err, os.ErrNotExist):
		return talk.Refusef("there is no folder %s; make it first", newfile.FolderOf(path))
	case err != nil:
		return err
	case under:
		return talk.Refusef("%s would lie among the device nodes, in memory, and be gone after the next start", path)
	}
	if kind := safety.OwnKind(path); kind != "" && kind != safety.NotesFile {
		return talk.Refusef("%s is %s, and nothing is added to it; give a text of your own", path, kind)
	}
	return OutsideArchives(path)
}

// OutsideArchives refuses a file that lies in an archive: one that grows is no longer what
// the list there says, and whoever checks the archive would take that for damage.
func OutsideArchives(path string) error {
	list := filepath.Join(newfile.FolderOf(path), archive.ContentsName)
	if _, err := os.Stat(path); err != nil {
		return nil // not listed
	}
	if _, err := os.Stat(list); err != nil {
		return nil
	}
	return talk.Refusef("%s lies in an archive, beside %s, and nothing is added to it: its list would no longer be "+
		"right. Add the line to the notes of the image that was archived, and archive it again", path, list)
}

// NotesError gives notes that cannot be written, or read, their exit code.
func NotesError(path string, err error) error {
	var foreign *notes.ForeignError
	switch {
	case errors.As(err, &foreign), errors.Is(err, newfile.ErrInUse), errors.Is(err, newfile.ErrKind):
		return talk.Coded(talk.ExitRefused, err)
	case errors.Is(err, os.ErrPermission):
		return PermissionError(path, os.ErrPermission)
	}
	var line *notes.LineError
	if errors.As(err, &line) {
		return talk.Coded(talk.ExitUsage, err)
	}
	return err
}
