package document

import (
	"fmt"

	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/sound/tracks"
)

// Capture says what of a drive is safe.
type Capture struct {
	Head
	Sectors  disk.Sector `json:"sectors"`
	Read     disk.Sector `json:"read"`
	Missing  []disk.Span `json:"missing"`
	Unread   []disk.Span `json:"unread"`
	Skipped  []disk.Span `json:"skipped"`
	Unstable []disk.Span `json:"unstable"`
	Hung     []disk.Span `json:"hung"`
	SHA256   *string     `json:"sha256"`
	Stopped  string      `json:"stopped,omitempty"`
	Reads    int64       `json:"reads"`
	Errors   int64       `json:"failed_reads"`
	Findings []Finding   `json:"findings"`

	// SoundHit is what is lost of recordings outside the volumes.
	SoundHit []SoundHit `json:"sound_hit"`

	// Classes are the sectors by worth, in the order in which they are read.
	Classes []CaptureClass `json:"classes"`
	Said
}

// CaptureClass is how far sectors of one worth have come.
type CaptureClass struct {
	Class   string      `json:"class"`
	Sectors disk.Sector `json:"sectors"`
	Safe    disk.Sector `json:"safe"`
	Lost    disk.Sector `json:"lost"`
	Skipped disk.Sector `json:"skipped"`
	Left    disk.Sector `json:"to_come"`
}

// NewCapture is the answer of capture, also when it stops.
func NewCapture(r *capture.Result, hits []tracks.Hit) *Capture {
	d := &Capture{
		Head: New(KindCapture), Sectors: r.Sectors, Read: r.Read, Stopped: string(r.Stop), Reads: r.Clock.Reads,
		Errors:  r.Clock.Errors,
		Missing: some(r.Missing), Unread: some(r.Unread), Skipped: some(r.Skipped), Unstable: some(r.Unstable),
		Hung:   some(r.Hung),
		SHA256: text(r.SHA256), Findings: findings(r.Findings),
		SoundHit: each(hits, func(h tracks.Hit) SoundHit { return SoundHit(h) }), Classes: []CaptureClass{},
	}
	for _, c := range capture.Classes {
		if t := r.Classes[c]; t.Total > 0 {
			d.Classes = append(d.Classes, CaptureClass{c.String(), t.Total, t.Safe, t.Lost, t.Skipped, t.Left()})
		}
	}
	return d
}

// Archive says whether the image of a capture is what was read.
type Archive struct {
	Head
	Damaged   []disk.Span `json:"damaged"`
	Unchecked []disk.Span `json:"unchecked"`
	SHA256    string      `json:"sha256"`
	Promised  *string     `json:"promised_sha256"`
}

// NewArchive is the answer of verify IMAGE.
func NewArchive(c *capture.Check) *Archive {
	return &Archive{New(KindArchive), some(c.Damaged), some(c.Unchecked), c.SHA256.String(), text(c.Promised)}
}

// text is null where there is nothing to write.
func text[T any, P interface {
	*T
	fmt.Stringer
}](p P) *string {
	if p == nil {
		return nil
	}
	s := p.String()
	return &s
}
