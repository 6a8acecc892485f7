package link

import (
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// PlaceKind says what a place is.
type PlaceKind string

// The kinds of places.
const (
	File      PlaceKind = "file"        // the first sector of a file, or of a later run of it
	Tail      PlaceKind = "tail"        // of the boot area at the end, or of a structure in it
	Area      PlaceKind = "area"        // a structure in a gap, or in a boot area at the start
	Boot      PlaceKind = "boot sector" // of a volume
	Elsewhere PlaceKind = "elsewhere"   // what a known form names beside all of these
)

// Place is what a number can name: the named sector, and what follows it.
type Place struct {
	disk.Span // from the named sector to the end of the run, in sectors of the disk
	Kind      PlaceKind
	Name      string // for a person
	Volume    int    // index of the entry of its volume, 0 = bare; -1 for none
	Path      string // of a file in its volume
	Offset    int64  // byte of the file at which the run begins
	Bytes     int64  // of the file, 0 for others
	Clusters  int64  // sectors of a cluster of its volume, 0 for others
	Guarded   bool   // a file that is hidden, of the system or read-only; all that is no file
}

// Counts says what a number counts.
type Counts string

// What numbers count.
const (
	FromDisk   Counts = "disk"    // units from the start of the disk
	FromEntry  Counts = "entry"   // units from the start of an entry
	InClusters Counts = "cluster" // clusters of a volume
	InCHS      Counts = "chs"     // cylinder, head and sector in the geometry of the table
)

// Unit is what a number counts, on one disk: sector = Base + value x Sectors.
type Unit struct {
	Counts  Counts
	Sectors int64       // of one unit
	Volume  int         // index of the entry, for FromEntry and InClusters
	Base    disk.Sector // of value 0 on the disk that was surveyed
	Heads   int         // for InCHS
	Track   int         // sectors of a track, for InCHS
}

// text says for a person what is counted.
func (u Unit) text(sectorSize int) string {
	unit := "sectors"
	switch {
	case u.Sectors > 1 && u.Sectors*int64(sectorSize)%1024 == 0:
		unit = fmt.Sprintf("units of %d KiB", u.Sectors*int64(sectorSize)/1024)
	case u.Sectors > 1:
		unit = fmt.Sprintf("units of %d sectors", u.Sectors)
	}
	switch u.Counts {
	case FromEntry:
		return fmt.Sprintf("%s from the start of entry %d", unit, u.Volume)
	case InClusters:
		return "clusters of " + layout.VolumeName(u.Volume)
	case InCHS:
		return fmt.Sprintf("cylinder, head and sector with %d heads and %d sectors a track", u.Heads, u.Track)
	}
	return unit + " from the start of the disk"
}

// Link is a number that names a place.
type Link struct {
	Holder   string      // for a person
	At       disk.Sector // that holds the number, on the disk that was surveyed
	Byte     int         // of that sector
	Encoding string      // as in candidate.Encoding; chs, or mov-chs for two instructions
	Width    int         // bytes
	Unit     Unit
	Value    uint64
	Target   Place
	Depth    int     // links before it on the way from the first holder
	Form     string  // of the known list that it stands in, or nothing
	Evidence string  // what else speaks for it
	ByChance float64 // accidental links of this kind that are expected in its holder; 0 in a known form

	rank int // of its kind among all, usual ones first

	// Lost says why nothing is known of the target: it lies past the end of the disk,
	// or the source does not know it. Only a known form can name such a place.
	Lost string
}

// Text tells the link in one line.
func (l *Link) Text(sectorSize int) string {
	how := fmt.Sprintf("the number %s in %s, %s", disk.Grouped(int64(l.Value)), candidate.Encoding(l.Encoding).Text(),
		l.Unit.text(sectorSize))
	if l.Unit.Counts == InCHS {
		how = fmt.Sprintf("%s, %s", l.Encoding, l.Unit.text(sectorSize))
	}
	if l.Form != "" {
		how = l.Form + ": " + how
	}
	return fmt.Sprintf("%s (sector %s, byte %d) names %s, sector %s (%s)",
		l.Holder, disk.Grouped(l.At), l.Byte, l.Target.Name, disk.Grouped(l.Target.Start), how)
}

// Holder is bytes in which numbers were looked for.
type Holder struct {
	Name  string
	Spans []disk.Span // in the order of its bytes
	Depth int
}

// Named is a file that boot code of its volume looks for by its name: the eleven bytes of
// its directory entry stand in the code (FAT Specification, "Directory Structure": DIR_Name).
type Named struct {
	Volume int
	Path   string
	Runs   []disk.Span // in file order, in sectors of the disk
}

// Found is what a search for links has found.
type Found struct {
	Links    []Link
	Weak     []Link // numbers of first holders that chance makes too often for links; see WeakBar
	Named    []Named
	Holders  []Holder   // all that were searched
	Unknown  disk.Spans // sectors of holders that the source does not know
	Spent    float64    // accidental links expected among Links
	Tried    int        // kinds that were tried
	Deep     bool       // there were links further than MaxDepth
	Cut      bool       // a bound of the search was reached
	Circle   bool       // links lead back to where they came from
	SizeOf   int        // bytes of a sector
	NoFiles  []int      // indexes of volumes whose files cannot be listed
	Searched int64      // bytes

	places []Place
}

// Places returns what numbers were compared with, in the order of the disk.
func (f *Found) Places() []Place { return f.places }
