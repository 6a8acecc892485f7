// Package volume is the one form in which file systems answer: where their parts
// lie, what they hold twice, and their files. A format that is read file by file
// implements Volume and is added to package scan; nobody else knows its name.
package volume

import (
	"io"
	"time"

	"golang.org/x/text/encoding/charmap"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Volume is a file system whose files can be listed. Its sectors count from its
// own start, but for those of Layout and CheckPlace.
type Volume interface {
	// Layout describes the volume that begins at sector base of a disk, in the
	// entry of that index.
	Layout(base disk.Sector, index int) layout.Volume

	// Found is what is wrong with what was read to open it.
	Found() []disk.Finding

	// CheckPlace compares the volume with the entry that holds it.
	CheckPlace(base, length disk.Sector) []disk.Finding

	// Usage reads its tables and returns how many bytes are in use, or -1.
	Usage() (int64, []disk.Finding)

	// Copies lists what the volume holds twice.
	Copies() []Copy

	// Files calls visit for the root directory, ".", and each directory and file in the order of the
	// directories, a directory before what lies in it. Findings say what is wrong
	// with directories. The error is that of visit, or a failed read.
	Files(o Options, visit func(*File) error) ([]disk.Finding, error)

	// Marks lists what tells the volume from others, and what names it, in its boot
	// sectors. read returns one sector, or nothing if it is not to be had.
	Marks(read func(disk.Sector) []byte) []Mark

	// Counters lists the fields that a system changes when it mounts the volume.
	Counters() []Counter
}

// Traced is a volume that shows what was done to it. It stands beside Volume, for
// formats that say who laid a volume down and keep what was deleted: ext does
// neither, and of what is only recognised nobody knows.
type Traced interface {
	Volume

	// Entries is Files without findings, and counts entries of what was deleted. The
	// error says why its tables cannot be read.
	Entries(visit func(*File)) (deleted int, err error)

	// Maker is what it says of who laid it down; empty if that is not to be had.
	Maker() string

	// SameBuild tells whether it and another of its format were laid down alike. The
	// error says why that cannot be told.
	SameBuild(other Traced) (bool, error)
}

// Options are choices of Files.
type Options struct {
	CodePage *charmap.Charmap // of FAT short names; nil is codepage 437
}

// NotWalkable says that the files of a volume cannot be listed.
func NotWalkable(err error) []disk.Finding {
	return []disk.Finding{disk.Warningf(disk.VolumeNotWalkable, 0, "its files cannot be listed: %v", err).Hiding()}
}

// File is one file or directory. What is handed over lasts.
type File struct {
	Path     string // from the root, with slashes, without one in front
	Dir      bool
	Regular  bool
	Size     int64 // bytes
	Modified time.Time
	Accessed time.Time // a day, or zero if the format or its reader does not tell
	Entry    string    // the bytes of its directory entry but for that day, or nothing
	Guarded  bool      // hidden, of the system or read-only, where its format marks that
	Extents  []Extent  // in file order; what no extent covers is a hole that reads as zeros
	Short    int64     // bytes at its end that its chain does not reach
	Fault    error     // why nothing of it can be found, or nil
	Content  io.ReaderAt
}

// Extent is a run of bytes of a file that lie together.
type Extent struct {
	Offset  int64     // byte of the file
	Bytes   int64     // how many
	Sectors disk.Span // of the volume, where they begin
	Skip    int       // bytes before them in the first sector
}

// Copy is a run of sectors that a volume holds a second time.
type Copy struct {
	disk.Span
	By    disk.Sector           // how much further the other copy lies
	Name  string                // of the other copy, for a person
	Sound func(one []byte) bool // whether the first sector of a copy can be believed; nil if all can
}

// Mark is some bytes of a volume that no other one has.
type Mark struct {
	Sector        disk.Sector
	Offset, Count int
	What          string // for a person
	Blank         []byte // what stands there in a volume without a name; nil if it is a number
}

// Counter is a field that a mount changes: its first byte in the volume, and how
// many.
type Counter struct {
	Name     string
	At, Size int64
}
