package input

import (
	"errors"
	"fmt"
	"io"
	"os"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/safety"
	"bootgraft/safety/newfile"
	"bootgraft/safety/rescue"
)

// FileFree refuses a name for a new file that cannot be made there, before
// long work. No name means that no file is wanted.
func FileFree(path string, kind safety.FileKind, src *Source, replace bool) error {
	if path == "" {
		return nil
	}
	return TargetError(safety.Output{Path: path, Kind: kind, Replace: replace, Avoid: src.Files}.Check())
}

// WriteFile writes a file that gets its name when it is complete. avoid are the
// files that it is made from.
func WriteFile(path string, kind safety.FileKind, replace bool, avoid []os.FileInfo,
	write func(io.Writer) error) error {
	return TargetError(safety.Output{Path: path, Kind: kind, Replace: replace, Avoid: avoid}.Write(write))
}

// NewFolder makes the folder that files are copied into.
func NewFolder(dir string) (*rescue.Folder, error) {
	switch f, err := rescue.NewFolder(dir); {
	case errors.Is(err, newfile.ErrNotEmpty):
		return nil, talk.Refusef("the folder %s is not empty; nothing is copied over other files. Give a new folder", dir)
	case err != nil:
		return nil, fmt.Errorf("the folder %s cannot be made: %w", dir, err)
	default:
		return f, nil
	}
}
