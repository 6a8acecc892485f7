package volume

import (
	"bootgraft/image/disk"
	"slices"
)

// Resizable is a volume that can get another size. It stands beside Volume, as most
// formats are only read: what can be made of one that can be written is in a folder
// of its own, which package scan knows. Its sectors count from its own start.
type Resizable interface {
	// Size is how many sectors it says that it has.
	Size() disk.Sector

	// Resize plans it as it is asked for. The error is a *Refused, or a failed read.
	Resize(w Wishes) (*Resized, error)

	// Wall returns what its format does not let it use of so many sectors, or nil.
	Wall(room disk.Sector) *disk.Finding

	// Copies lists what it holds twice.
	Copies() []Copy

	// InUse hands on, in their order, the runs of sectors in which something lies by
	// what it says itself. They may reach past the end of its source.
	InUse(use func(disk.Span)) error
}

// Resized is a planned volume.
type Resized struct {
	Sectors  disk.Sector // its size on the card
	Findings []disk.Finding
	Meaning  disk.Spans // sectors of the original that were interpreted
	Emptied  disk.Span  // those of them that are not made new again: a directory that was emptied
	Pieces
}

// Pieces are what a planned volume is made of.
type Pieces interface {
	// Changed tells whether it is anything but a copy of the whole volume.
	Changed() bool

	// Made returns how many pieces there will be at most, and of them sectors that
	// are made new.
	Made() (pieces int, rendered disk.Sector)

	// Copied returns the sectors of the original that it copies, known or not.
	Copied() (disk.Spans, error)

	// Emit hands the pieces on, in their order, from sector 0 to its end.
	Emit(to Sink) error
}

// Limits are the exact limits of a volume on a card, in sectors of the source
// from the volume's start. One sector less, or more, is refused.
type Limits struct {
	Smallest        disk.Sector // if files may move
	SmallestUnmoved disk.Sector // if none may
	LargestInPlace  disk.Sector // to which it can grow while its data area stays
	Largest         disk.Sector // by its type and the fields of its boot sector
}

// Refused says why a volume cannot be what was asked for.
type Refused struct {
	Why    []disk.Finding // what cannot be, whatever is accepted
	Need   []disk.Finding // what has to be accepted by its code
	Limits Limits         // as far as they are known

	Sectors disk.Sector // the size that it would have; 0 if there is none
}

func (r *Refused) Error() string {
	return disk.Lines(slices.Concat(r.Why, r.Need))
}

// Mode says what becomes of the size of the volume.
type Mode string

// The modes. The empty Mode keeps the volume if it fits into the room, and
// shrinks it to the largest that fits if not.
const (
	Keep   Mode = "keep"
	Shrink Mode = "shrink"
	Grow   Mode = "grow"
)

// Slack says what becomes of table entries behind the last cluster of a
// volume that shrank. They mean nothing (FG, "FAT Data Structure"), but
// firmware exists that gives out clusters by the length of the table (common
// practice, no source).
type Slack string

// The choices for the slack; the empty Slack is SlackMark.
const (
	SlackMark Slack = "mark" // each is marked bad, in every table
	SlackKeep Slack = "keep" // they stay
	SlackZero Slack = "zero" // they become free
)

// BadMarks says what becomes of the marks of bad clusters: they belong to the
// surface of the old drive.
type BadMarks string

// The choices for bad marks; the empty BadMarks is BadKeep.
const (
	BadKeep  BadMarks = "keep"
	BadClear BadMarks = "clear"
)

// Free says what becomes of clusters that no file uses.
type Free string

// The choices for free clusters. The empty Free copies them if the volume
// keeps its place and size, and skips them if not.
const (
	FreeCopy Free = "copy"
	FreeSkip Free = "skip"
)

// CHS is what boot code counts CHS addresses in.
type CHS struct{ Heads, SectorsPerTrack uint16 }

// Linked is a file that boot code finds by its place, and why that is believed.
// ByCluster: it counts in clusters of the volume, which may shift as one.
type Linked struct {
	Path, Why string
	ByCluster bool
}

// Kept is a file that boot code finds by its sectors, of a volume whose directories are
// not known and that becomes empty.
type Kept struct {
	Entry   []byte      // its directory entry as the format has it; nil: its bytes are not there either
	Extents []disk.Span // its sectors in the order of its bytes, whole clusters, from the start of the volume
}

// Wishes are what the owner asks for. What a format does not have it leaves aside:
// Slack, BadMarks, Hidden and Geometry are fields of FAT.
type Wishes struct {
	Mode    Mode
	Sectors disk.Sector // the size asked for; 0: as large as fits
	Room    disk.Sector // how many sectors from the volume's start on it may use; 0: what it has now
	Limit   disk.Sector // the device's own limit, counted from the volume's start; 0: none
	Reserve disk.Sector // of the room, left free when the size is as large as fits

	Pins     []string // paths of files whose sectors must stay; those of other volumes are none of this one's
	MoveNone bool     // no file may move

	Slack    Slack
	BadMarks BadMarks
	Free     Free
	Empty    bool // make the volume empty, but for its label and what is Kept
	Kept     []Kept

	Base  disk.Sector // where the volume will begin on the card
	From  disk.Sector // where it begins on the original
	Align disk.Sector // put cluster 2 on a multiple of this, counted on the card; 0: do not

	Hidden   *uint32 // a new count of sectors before the volume, if its start changes
	Geometry *CHS    // a new geometry, if asked for

	// Links are the files that boot code finds by their places: they must stay.
	Links []Linked

	MaxPieces int // above it short free gaps are copied too; 0: 262,144

	// Accept tells whether the owner accepts a refusal by its code; nil: none.
	Accept func(code disk.Code) bool
}

// Leaves tells whether the wishes leave a volume of n sectors as it is, whatever
// is in it: then it needs no look at its tables. Mode Keep does even where the
// volume does not fit.
func (w Wishes) Leaves(n disk.Sector) bool {
	if w.Empty || w.Free == FreeSkip || w.BadMarks == BadClear || w.Hidden != nil || w.Geometry != nil || w.Align != 0 {
		return false
	}
	fits := w.Sectors == n && n <= w.Room || w.Sectors == 0 && n <= w.Room-w.Reserve
	return w.Mode == Keep || w.Mode == Shrink && fits || w.Mode == "" && n <= w.Room
}
