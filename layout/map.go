package layout

import (
	"bootgraft/image/disk"
	"fmt"
)

// Role says what a Region is for.
type Role string

// The roles.
const (
	RoleTable    Role = "table"     // sectors that a partition table owns
	RoleBootCode Role = "boot code" // code that a machine runs before it reads a volume
	RoleReserved Role = "reserved"  // kept free, or for itself, by a format
	RoleVolume   Role = "volume"    // an entry of the table, or a bare volume
	RoleGap      Role = "gap"       // between or before entries, owned by nobody the table knows
	RoleTail     Role = "tail"      // from the first sector in use after the last entry to the end
	RoleDisputed Role = "disputed"  // two formats claim it
	RoleUnknown  Role = "unknown"   // nobody claims it
)

// Anchor says from where the place of a Region is counted.
type Anchor string

// The anchors.
const (
	FromStart    Anchor = "start"   // counted from the start of the disk
	FromEnd      Anchor = "end"     // counted from the end of the disk
	InsideVolume Anchor = "volume"  // counted from the start of its volume
	Movable      Anchor = "movable" // found through the table: may lie anywhere
)

// Content is what was seen in a run of sectors.
type Content struct {
	Looked     bool        // false: nothing was read, and the rest means nothing
	Blank      bool        // every byte of every sector is Fill
	Fill       byte        // the byte that fills a blank run, and does not count as content elsewhere
	NonBlank   disk.Sector // how many sectors are not filled with one repeated 00 or FF byte
	First      disk.Sector // first and last of them, disk addresses; meaningless if NonBlank is 0
	Last       disk.Sector
	Unread     disk.Sector // sectors of the run that the source does not know
	SHA256     string      // of the whole run, lower-case hex; empty if not computed
	Signatures []string    // what the bytes look like: known boot code, strings, file headers
}

// Region is one run of source sectors with one owner.
type Region struct {
	disk.Span
	Role     Role
	Anchor   Anchor
	Name     string
	Content  Content
	Evidence []string // why we believe it
}

// State of a Table.
type State string

// The states of a table.
const (
	InForce  State = "in-force" // it decides where the entries are
	Stale    State = "stale"    // whole or in parts, but something else is in force
	Damaged  State = "damaged"  // claims to be a table, breaks its rules
	Disputed State = "disputed" // one of several that contradict each other
)

// Geometry is in what somebody counts a disk: an address of cylinder, head and sector
// is another sector with another number of heads, or of sectors in a track.
type Geometry struct {
	Cylinders int // 0 where nobody says it
	Heads     int
	Sectors   int // in a track
}

// Known tells whether addresses can be counted in it.
func (g Geometry) Known() bool { return g.Heads > 0 && g.Sectors > 0 }

// Alike tells whether an address names the same sector in both. How many cylinders
// there are changes none.
func (g Geometry) Alike(o Geometry) bool { return g.Heads == o.Heads && g.Sectors == o.Sectors }

// Table is one partition table found on the disk, in force or not.
type Table struct {
	Kind       string // mbr, gpt, apple, bsd, sun, amiga, atari
	State      State
	SectorSize int         // the sector size it was written for, bytes
	Own        disk.Spans  // the sectors of the table itself
	Ends       disk.Sector // first sector after the disk that it describes, 0 if it does not say
	Entries    []Entry     // as it lists them
	Geometry   Geometry    // in which it counts, not known where it does not say
	Evidence   []string
}

// Entry is one entry of a partition table. Index is the number that people
// use: 1-4 for MBR primaries, from 5 for logical volumes, from 1 elsewhere.
type Entry struct {
	disk.Span
	Index    int
	Type     string // the type as its standard writes it: 0C, a GUID, Apple_HFS, ...
	TypeName string
	Name     string // the entry's own name, if its format has one
	Active   bool
	Extended bool        // an MBR container, not a volume
	NoVolume bool        // holds none: the whole disk by convention, a free run, the table's own place
	Table    disk.Sector // sector that holds the entry
	Offset   int         // byte of the entry in that sector
}

// HoldsVolume tells whether an entry gives sectors to a volume.
func (e Entry) HoldsVolume() bool { return !e.Extended && !e.NoVolume && !e.Empty() }

// Volume is a file system found in an entry, or bare on the disk (Index 0).
type Volume struct {
	disk.Span // as the volume itself states its size
	Index     int
	// Kind is fat12, fat16, fat32, exfat, ntfs, ext2, ext3, ext4, iso9660, hfs, hfsplus, squashfs or swap;
	// luks, lvm2, md, btrfs, xfs, f2fs, udf or zfs.
	Kind         string
	Label        string
	ID           string     // serial number or UUID, as its format writes it
	ClusterBytes int64      // allocation unit in bytes, 0 if unknown
	UsedBytes    int64      // bytes in allocated units, -1 if not cheaply known
	Sized        bool       // Span.Count comes from the volume itself, not from its entry
	Slack        *Content   // what lies in its entry after the end of the volume; nil if nothing does
	Meaning      disk.Spans // disk sectors whose change would change what was read of it
	Listed       bool       // its files can be listed here
	Parts        []Part     // what lies where in it, as far as anybody asks
	Geometry     Geometry   // in which its boot code is told to count, not known where it is not told
}

// PartRole says what a part of a volume is for.
type PartRole string

// The roles of parts.
const (
	PartBoot  PartRole = "boot"  // before its tables: boot sectors, and what a start-up program keeps there
	PartTable PartRole = "table" // an allocation table
	PartData  PartRole = "data"  // its clusters
)

// Part is a run of disk sectors of a volume.
type Part struct {
	disk.Span
	Role PartRole
	Copy int // of a role, from 0
}

// VolumeName names a volume for a person. One that is bare on its disk has no number.
func VolumeName(index int) string {
	if index <= 0 {
		return "the volume"
	}
	return fmt.Sprintf("volume %d", index)
}

// PartsOf returns the parts of a volume with one role.
func (v *Volume) PartsOf(r PartRole) (out []disk.Span) {
	for _, p := range v.Parts {
		if p.Role == r {
			out = append(out, p.Span)
		}
	}
	return out
}

// Field is a number found in a boot area that may depend on the disk's size.
type Field struct {
	Sector   disk.Sector `json:"sector"`
	Offset   int         `json:"offset"`
	Width    int         `json:"width"` // bytes
	Encoding string      `json:"encoding"`
	Value    uint64      `json:"value"`
	Meaning  string      `json:"meaning"`
	ByChance float64     `json:"expected_by_chance"`

	// Law says how the number follows from the size of the disk, or of the entry with this
	// index in the table in force; nil if it follows from neither.
	Law   *Law `json:"-"`
	Entry int  `json:"-"` // 0: the disk

	// Inside says that it stands in a partition, where no rule changes anything.
	Inside bool `json:"-"`
}

// Law is how a number follows from N, the sectors of its disk or entry:
//
//	Times * floor((Of*N + Add) / Per) + Plus
type Law struct{ Times, Of, Per, Add, Plus int64 }

// Map says who owns every sector of an original. Regions tile the disk:
// CheckTiles(m.Sectors, m.Regions) is nil for every Map that a survey returns.
type Map struct {
	Sectors    disk.Sector
	SectorSize int
	OddBytes   int    // bytes after the last whole sector of an image file
	OddSHA256  string // their SHA-256
	Table      string // kind of the table in force, "none" or "conflict"
	Tables     []Table
	Entries    []Entry // of the table in force
	Regions    []Region
	Volumes    []Volume
	Unlisted   []Volume // found on a disk without a table, not at its start: told, and not interpreted
	Findings   []disk.Finding

	// TailUndecided: the disk has no table, and whether its last sectors count
	// from the end or belong to a recording cannot be told.
	TailUndecided bool
}

// UsedBytes is how much the volumes hold, as far as it is cheaply known.
func (m *Map) UsedBytes() (n int64) {
	for _, v := range m.Volumes {
		n += max(v.UsedBytes, 0)
	}
	return n
}

// Entry returns the entry with the given index, or nil.
func (m *Map) Entry(index int) *Entry {
	for i := range m.Entries {
		if m.Entries[i].Index == index {
			return &m.Entries[i]
		}
	}
	return nil
}

// Readable tells whether a table of a kind was found and can be read, in force or
// not.
func (m *Map) Readable(kind string) bool {
	for i := range m.Tables {
		if t := &m.Tables[i]; t.Kind == kind && len(t.Own) > 0 {
			return true
		}
	}
	return false
}

// Volume returns the volume with the given index, or nil.
func (m *Map) Volume(index int) *Volume {
	for i := range m.Volumes {
		if m.Volumes[i].Index == index {
			return &m.Volumes[i]
		}
	}
	return nil
}
