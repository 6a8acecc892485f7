package document

import (
	"bootgraft/image/disk"
	"bootgraft/safety/archive"
)

// ArchiveMade says what lies in a new archive.
type ArchiveMade struct {
	Head
	Dir        string        `json:"dir"`
	Files      []ArchiveFile `json:"files"`
	CardStored bool          `json:"card_stored"` // the finished card lies in it
	Packed     bool          `json:"packed"`
	CardSHA256 string        `json:"card_sha256"` // of what is written, in the order of the card
	Changed    []disk.Span   `json:"changed"`     // no longer what was read from the drive
}

// ArchiveFile is one file of it.
type ArchiveFile struct {
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// NewArchiveMade is the answer of archive.
func NewArchiveMade(dir string, files []archive.File, g *archive.Guide) *ArchiveMade {
	d := &ArchiveMade{Head: New(KindArchiveMade), Dir: dir, Files: []ArchiveFile{}, CardStored: g.Card != "",
		Packed: g.Packed, CardSHA256: g.Sum, Changed: some(g.Changed)}
	for _, f := range files {
		d.Files = append(d.Files, ArchiveFile{f.Name, f.Bytes, f.SHA256})
	}
	return d
}

// ArchiveCheck says what an archive looks like today.
type ArchiveCheck struct {
	Head
	Dir     string   `json:"dir"`
	Files   int      `json:"files"`
	Damaged []string `json:"damaged"`
	Missing []string `json:"missing"`
	Added   []string `json:"added"`
}

// NewArchiveCheck is the answer of verify DIR.
func NewArchiveCheck(dir string, f *archive.Found) *ArchiveCheck {
	return &ArchiveCheck{New(KindArchiveCheck), dir, f.Files, some(f.Damaged), some(f.Missing), some(f.Added)}
}
