// Package plan is the plan of a card: where every sector of it comes from, the
// proof that this is so, its check number, and the file that holds it.
//
// The package is pure: it knows no files, no clock and no chance. A Plan is
// made by a Builder or by Decode, proved by Check, and written by Encode.
package plan

import (
	"io"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// What a plan may hold at most. Decode refuses a file with more before it
// allocates anything for it.
const (
	maxPieces   = 4 << 20
	maxMeaning  = 4 << 20 // spans of Source.Meaning
	maxDropped  = 1 << 20
	maxFindings = 1 << 16
	maxChoices  = 1 << 12
	maxText     = 64 << 10 // bytes of any one text: a path, a name, a finding
	maxChunks   = 1 << 20  // texts of 48 KiB each: 48 GiB of rendered bytes
)

// Edge is how many bytes at either end of a card are never left as they are:
// whatever the card held before must not show through where tables lie. By hand, no
// source: every table that this program knows begins in the first 1 MiB.
const Edge = 1 << 20

// Size is the size of a disk. SectorSize is in bytes.
type Size struct {
	Sectors    disk.Sector `json:"sectors"`
	SectorSize int         `json:"sector_size"`
}

// Source is the original that a plan was made for.
type Source struct {
	Size
	Path    string     // where it lay when the plan was made: a memory, never proof. UTF-8, or empty
	Digest  string     // MeaningDigest of Meaning, lower-case hex
	Meaning disk.Spans // source sectors whose change makes the plan stale
}

// Dropped is a run of source sectors that the card does not carry.
type Dropped struct {
	disk.Span
	Role layout.Role
	Name string
	Why  string
}

// Pool is the rendered bytes of a plan, a whole number of sectors. ReadAt may
// be called from several goroutines at once. A *bytes.Reader is a Pool.
type Pool interface {
	io.ReaderAt
	Size() int64 // bytes
}

// Plan says where every sector of a card comes from.
type Plan struct {
	Target Size
	Sees   disk.Sector // how many sectors of the card its device sees, 0 for all of them

	// Choices are what its owner chose, as NAME=VALUE of the flags of plan, in order of
	// the names: with them the same decisions are made for another card. Empty where
	// nothing was chosen.
	Choices []string

	Source   Source
	Pieces   []layout.Piece // in card order; they tile the card
	Dropped  []Dropped
	Findings []disk.Finding

	// WrittenBy is the version of the program that made the plan; see
	// disk.CheckWriter. A plan without it has the older form 1.
	WrittenBy string

	// Rendered holds the bytes of all Render pieces, in the order in which
	// the card first needs them. From of such a piece counts its sectors.
	// Two pieces may share bytes: a second copy does. Nil if there are none.
	Rendered Pool
}

// form returns the number of the form of file in which the plan is written.
func (p *Plan) form() int64 {
	if p.WrittenBy == "" {
		return 1
	}
	return schema
}

// Seen returns the plan of what the device sees of the card: where it ends for the
// device the disk ends. A device that sees all of it has the plan itself.
func (p *Plan) Seen() *Plan {
	if p.Sees == 0 {
		return p
	}
	seen := *p
	seen.Target.Sectors, seen.Sees = p.Sees, 0
	seen.Pieces = p.Pieces[:p.Index(p.Sees)]
	return &seen
}

// RenderedSectors returns how many whole sectors of rendered bytes the plan
// holds.
func (p *Plan) RenderedSectors() disk.Sector {
	if p.Rendered == nil || p.Target.SectorSize <= 0 {
		return 0
	}
	return disk.Sector(p.Rendered.Size() / int64(p.Target.SectorSize))
}

// Sectors counts the sectors of the card that have one provenance.
func (p *Plan) Sectors(op layout.Op) (n disk.Sector) {
	for i := range p.Pieces {
		if p.Pieces[i].Op == op {
			n += p.Pieces[i].Count
		}
	}
	return n
}

// Behind counts the sectors of the drive that get no place on the card.
func (p *Plan) Behind() (n disk.Sector) {
	for i := range p.Dropped {
		n += p.Dropped[i].Count
	}
	return n
}

// Index returns the index of the piece that holds card sector x, or
// len(p.Pieces) if there is none. It takes a plan that passes Check.
func (p *Plan) Index(x disk.Sector) int {
	i, found := slices.BinarySearchFunc(p.Pieces, x, func(q layout.Piece, x disk.Sector) int {
		switch {
		case q.Holds(x):
			return 0
		case q.Start > x:
			return 1
		}
		return -1
	})
	if !found {
		return len(p.Pieces)
	}
	return i
}

// Lookup returns the piece that holds card sector x, or nil.
func (p *Plan) Lookup(x disk.Sector) *layout.Piece {
	if i := p.Index(x); i < len(p.Pieces) {
		return &p.Pieces[i]
	}
	return nil
}

// Reasons returns the reasons that the pieces give, each once, in the order of
// layout.Reasons.
func (p *Plan) Reasons() []layout.Reason {
	var used [256]bool
	for i := range p.Pieces {
		used[p.Pieces[i].Why] = true
	}
	var out []layout.Reason
	for _, r := range layout.Reasons() {
		if used[r] {
			out = append(out, r)
		}
	}
	return out
}
