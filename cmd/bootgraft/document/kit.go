package document

import (
	"encoding/hex"

	"bootgraft/image/disk"
	"bootgraft/layout/kit"
	"bootgraft/layout/kit/gather"
	"bootgraft/layout/plan/starts"
)

// KitMake says what went into a new kit.
type KitMake struct {
	Head
	Kit           string        `json:"kit"`
	Bytes         int64         `json:"bytes"`
	SHA256        string        `json:"sha256"`
	StoredSectors disk.Sector   `json:"stored_sectors"`
	Manifest      *kit.Manifest `json:"manifest"` // as in the file
	TextsFound    int           `json:"texts_found"`
	Texts         []Text        `json:"texts"`
	Findings      []Finding     `json:"findings"`
}

// NewKitMake is the answer of kit make.
func NewKitMake(path string, k *gather.Made, w *gather.Written) *KitMake {
	return &KitMake{
		New(KindKitMake), path, w.Bytes, hex.EncodeToString(w.SHA256), w.Manifest.Stored(), w.Manifest,
		k.AllTexts, texts(k.Texts), findings(k.Findings),
	}
}

// KitShow says what is in a kit.
type KitShow struct {
	Head
	Kit           string        `json:"kit"`
	Bytes         int64         `json:"bytes"`
	StoredSectors disk.Sector   `json:"stored_sectors"`
	Manifest      *kit.Manifest `json:"manifest"` // as in the file
	TextsFound    int           `json:"texts_found"`
	Texts         []Text        `json:"texts"`

	// Starts says of a card from the kit alone whether anything stops it from starting;
	// null where there is no such card, and NotPlanned says why.
	Starts     *StartsAnswer `json:"starts"`
	NotPlanned []Finding     `json:"not_planned"`
}

// Says takes in what stops a card from the kit alone, or why there is none.
func (d *KitShow) Says(r *starts.Report, refused []disk.Finding) {
	if r != nil {
		answer := NewStartsAnswer(r)
		d.Starts = &answer
	}
	d.NotPlanned = findings(refused)
}

// NewKitShow is the answer of kit show, with the first of so many strings.
func NewKitShow(path string, bytes int64, m *kit.Manifest, some []kit.Text, all int) *KitShow {
	return &KitShow{New(KindKitShow), path, bytes, m.Stored(), m, all, texts(some), nil, []Finding{}}
}

// KitAsk is the page for somebody whose unit works.
type KitAsk struct {
	Head
	HeadSectors disk.Sector  `json:"head_sectors"`
	TailSectors disk.Sector  `json:"tail_sectors"`
	SectorSize  int          `json:"sector_size"`
	Pieces      []AskedPiece `json:"pieces"`
	Page        string       `json:"page"`
}

// AskedPiece is a run of sectors that is asked for, in a file of its own.
type AskedPiece struct {
	File    string      `json:"file"`
	Start   disk.Sector `json:"start"` // from the end, if from_end
	Count   disk.Sector `json:"count"`
	FromEnd bool        `json:"from_end"`
}

// NewKitAsk is the answer of kit ask.
func NewKitAsk(sectorSize int, pieces []AskedPiece, page string) *KitAsk {
	out := &KitAsk{Head: New(KindKitAsk), SectorSize: sectorSize, Pieces: pieces, Page: page}
	for _, p := range pieces {
		if p.FromEnd {
			out.TailSectors = p.Count
		} else if p.Start == 0 {
			out.HeadSectors = p.Count
		}
	}
	return out
}

func texts(all []kit.Text) []Text { return each(all, func(t kit.Text) Text { return Text(t) }) }
