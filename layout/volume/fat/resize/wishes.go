package resize

import (
	"bootgraft/image/disk"
)

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

// Wishes are what the owner asks for.
type Wishes struct {
	Mode    Mode
	Sectors disk.Sector // the size asked for; 0: as large as fits
	Room    disk.Sector // how many sectors from the volume's start on it may use; 0: what it has now
	Limit   disk.Sector // the device's own limit, counted from the volume's start; 0: none
	Reserve disk.Sector // of the room, left free when the size is as large as fits

	Pins     []string // paths of files whose sectors must stay
	MoveNone bool     // no file may move

	Slack    Slack
	BadMarks BadMarks
	Free     Free
	Empty    bool // make the volume empty, but for its label

	Base  disk.Sector // where the volume will begin on the card
	From  disk.Sector // where it begins on the original
	Align disk.Sector // put cluster 2 on a multiple of this, counted on the card; 0: do not

	Hidden   *uint32 // a new count of sectors before the volume, if its start changes
	Geometry *CHS    // a new geometry, if asked for

	// BootCode is runs of bytes outside the volume that may hold the addresses of
	// sectors in it: the code of the master boot record and what follows it, but
	// no bytes of tables, whose numbers are no addresses of files.
	BootCode [][]byte

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

// MaxPieces is how many pieces a plan should have at most: by hand, no source. They
// take 8 MiB of memory, 32 bytes each.
const MaxPieces = 262144

func (w Wishes) withDefaults(v disk.Sector) Wishes {
	if w.Room == 0 {
		w.Room = v
	}
	if w.Slack == "" {
		w.Slack = SlackMark
	}
	if w.BadMarks == "" {
		w.BadMarks = BadKeep
	}
	if w.MaxPieces == 0 {
		w.MaxPieces = MaxPieces
	}
	if w.Accept == nil {
		w.Accept = func(disk.Code) bool { return false }
	}
	return w
}
