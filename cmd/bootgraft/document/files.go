package document

import (
	"bootgraft/image/disk"
	"bootgraft/safety/rescue"
)

// Files are those of a drive, or of a planned card.
type Files struct {
	Head
	Files    []File    `json:"files"`
	Findings []Finding `json:"findings"`
}

// File is one regular file. A file with missing bytes has no SHA-256.
type File struct {
	Path      string `json:"path"`
	Volume    int    `json:"volume"`
	Size      int64  `json:"size"`
	SHA256    string `json:"sha256"`
	Missing   []Hole `json:"missing"`
	Recording string `json:"recording,omitempty"` // of a damaged file: wav or mpeg, if its times are known
	Written   string `json:"written,omitempty"`   // its name in the folder of --to
	Fault     string `json:"fault,omitempty"`
}

// Hole is a run of bytes that cannot be had, and of a recording the time that it
// spoils.
type Hole struct {
	Start int64    `json:"start"`
	Count int64    `json:"count"`
	From  *float64 `json:"from_seconds,omitempty"`
	To    *float64 `json:"to_seconds,omitempty"`
}

// NewFiles is the answer of files.
func NewFiles(all []rescue.File, found []disk.Finding) *Files {
	return &Files{New(KindFiles), each(all, file), findings(found)}
}

func file(f rescue.File) File {
	out := File{f.Path, f.Volume, f.Size, f.SHA256, each(f.Missing, hole), f.Recording, f.Written, ""}
	if f.Fault != nil {
		out.Fault = f.Fault.Error()
	}
	return out
}

func hole(h rescue.Hole) Hole {
	out := Hole{Start: h.Start, Count: h.Count}
	if h.Time != nil {
		from, to := h.Time.From.Seconds(), h.Time.To.Seconds()
		out.From, out.To = &from, &to
	}
	return out
}
