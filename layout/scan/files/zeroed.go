package files

import "io"

// Zeroed returns the bytes of a file, with zeros for those that are missing. Who
// asks for it knows that these bytes are not those of the file.
func (f *File) Zeroed() io.Reader {
	content := f.Reader()
	var parts []io.Reader
	at := int64(0)
	for _, m := range f.Missing {
		from, to := max(at, m.Start), max(at, m.Start+m.Count)
		parts = append(parts, io.NewSectionReader(content, at, from-at), io.LimitReader(zeros{}, to-from))
		at = to
	}
	return io.MultiReader(append(parts, io.NewSectionReader(content, at, f.Size-at))...)
}

// zeros reads as zeros without end.
type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}
