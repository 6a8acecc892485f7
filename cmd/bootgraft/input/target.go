package input

import (
	"io"
	"os"

	"bootgraft/safety"
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
func WriteFile(path string, kind safety.FileKind, replace bool, avoid []os.FileInfo, write func(io.Writer) error) error {
	return TargetError(safety.Output{Path: path, Kind: kind, Replace: replace, Avoid: avoid}.Write(write))
}
