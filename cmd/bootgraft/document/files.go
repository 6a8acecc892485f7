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
	// What all files to copy take, and what the folder of --to has left before the first one.
	Needed int64  `json:"bytes_needed,omitempty"`
	Free   *int64 `json:"bytes_free,omitempty"`
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
	LeftOut   string `json:"left_out,omitempty"` // room, size or name: why that folder could not take it
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
	return &Files{Head: New(KindFiles), Files: each(all, file), Findings: findings(found)}
}

func file(f rescue.File) File {
	out := File{f.Path, f.Volume, f.Size, f.SHA256, each(f.Missing, hole), f.Recording, f.Written, "", string(f.Left)}
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
