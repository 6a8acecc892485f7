package plan

import (
	"bytes"
	"errors"
	"testing"
)

// FuzzDecode: no panic, no hang; what is taken, written and read again, is the
// same plan. A file whose only fault is its digest gets the right one, so that
// the search is not stopped there.
func FuzzDecode(f *testing.F) {
	file := encoded(f, small(f))
	f.Add(file)
	f.Add(bytes.ReplaceAll(file, []byte("\n"), []byte(" \r\n\t")))
	f.Add(bytes.Replace(file, []byte(`"op":"zero"`), []byte(`"op":"leave"`), 1))
	f.Add(bytes.Replace(file, []byte(`"sector":5990`), []byte(`"sector":null`), 1))
	f.Add(file[:len(file)/2])
	f.Fuzz(func(t *testing.T, file []byte) {
		p, err := Decode(bytes.NewReader(file), int64(len(file)))
		var wrong *DigestError
		var at *FileError
		if errors.As(err, &wrong) && errors.As(err, &at) {
			rest := file[at.Offset+1+int64(len(wrong.Stated)):] // after the opening quote
			file = append(append(bytes.Clone(file[:at.Offset+1]), wrong.Content...), rest...)
			if p, err = Decode(bytes.NewReader(file), int64(len(file))); err != nil {
				t.Fatalf("with the right digest: %v", err)
			}
		}
		if err != nil {
			if p != nil {
				t.Fatal("a plan and an error")
			}
			return
		}
		if !same(t, p, decoded(t, encoded(t, p))) {
			t.Fatal("another plan after writing and reading it")
		}
	})
}
