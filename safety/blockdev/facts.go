package blockdev

import (
	"io/fs"
	"strings"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// How tells in which way somebody uses a device.
type How string

// The ways in which a device is used.
const (
	Mounted  How = "mounted" // What is the folder
	Swapped  How = "swap"    // What is the node or the file
	Layered  How = "layer"   // What is the device built on it: RAID, encryption, logical volumes, a cache
	Looped   How = "loop"    // What is the loop device
	Member   How = "member"  // What is the file system that has it as one of several devices
	WriterOf How = "writer"  // What is the program that has it open for writing
)

// Use is one use of a device, of a partition of it, or of what lies below or
// above it.
type Use struct {
	How    How
	What   string
	Device string // the node that is used
}

// File is a file or device that a job reads or writes, as it was opened.
type File struct {
	Path string
	Info fs.FileInfo
	Role string // what it is to the job: "the source", "the plan", ...
}

// Relation is how a File stands to a device.
type Relation string

// The relations that forbid to write to a device.
const (
	IsIt    Relation = "is"      // the same bytes, under whatever name, or a part of them
	LiesOn  Relation = "lies on" // it lies on a file system of the device
	Nothing Relation = ""
)

// Related is a File that would be harmed by writing to the device.
type Related struct {
	File
	Relation Relation
}

// Facts is what can be found out about a target without changing it. What
// is not a block device has Path and Mode alone.
type Facts struct {
	Path string
	Mode fs.FileMode

	Held       error  // nil if it is held exclusively, otherwise why it cannot be
	Node       string // the kernel's name, /dev/sdb
	Number     string // major:minor
	Inode      uint64 // of the name that was opened, with the device that it lies on
	InodeOn    uint64
	Whole      string // the node of the whole disk; the same as Node for one
	Partition  bool
	Sectors    disk.Sector
	SectorSize int // logical, in bytes
	Physical   int // physical sector size, in bytes; 0 if not known
	ReadOnly   bool
	Identity   image.Identity
	CID        string // identity register of a memory card, if it can be seen
	Erase      int64  // unit in which the card erases, in bytes; 0 if it cannot be seen
	Speed      string // of the USB link, in Mbit/s
	Sequence   uint64 // counts up whenever a disk or a card comes; 0 if the kernel does not count

	Uses    []Use
	System  []string // folders and programs of the running system that stand on it
	Related []Related
	Blind   bool // some programs could not be looked at: not root
}

// Disk is a disk of this machine.
type Disk struct {
	Node       string
	Sectors    disk.Sector
	SectorSize int
	Identity   image.Identity
	ReadOnly   bool
	Offline    bool     // Windows mounts nothing from it
	Mounts     []string // folders on which it, or what lies on it, is mounted
	System     []string // folders and programs of the running system that stand on it
	Since      time.Time
}

// Bytes returns the size in bytes.
func (d Disk) Bytes() int64 { return int64(d.Sectors) * int64(d.SectorSize) }

// TwoNewError says that more than one disk came while one was waited for.
type TwoNewError struct{ Nodes []string }

func (e *TwoNewError) Error() string {
	return "refusing to choose: these disks came at the same time: " + strings.Join(e.Nodes, ", ") +
		"; pull all but one, and start again"
}

// printable leaves out what steers a terminal.
func printable(r rune) rune {
	if r < ' ' || r == 0x7f {
		return -1
	}
	return r
}
