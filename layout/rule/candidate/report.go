package candidate

import (
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Bars: what is expected by chance more often than this on one disk is not
// shown. They are shares of the one in forty that a whole survey may be wrong.
const (
	barEdge    = 0.003 // all sizes in the first and last sectors together
	barNear    = 0.002 // all sizes beside other borders together
	barFar     = 0.006 // all sizes elsewhere together
	barInside  = 0.002 // all sizes and lengths inside partitions together
	barEntry   = 0.002 // all lengths and ends of entries together
	barPointer = 0.002 // all addresses together
	barChain   = 0.001
	barSum     = 0.004 // all checksums together
	barMirror  = 0.001
	barRecord  = 0.001
	barOrder   = 0.001
)

// Bar is the sum of all bars: the number of candidates that chance alone is
// expected to put into a whole Report and what LookInside finds, at most.
const Bar = barEdge + barNear + barFar + barInside + barEntry + barPointer + barChain + barSum + barMirror +
	barRecord + barOrder

// Report is what Look found. Everything in it is a candidate: one disk proves
// nothing. Lists are bounded; Left says how many entries were left out.
type Report struct {
	Searched   disk.Spans  // sectors looked into
	Unknown    disk.Sector // of them, not known to the source
	Content    disk.Sector // of them, packed data or sound: searched for copies alone
	Structures []Structure // in order
	Strings    Strings
	Records    []Record       // structures that repeat at a constant distance
	Copies     []Copy         // copies inside the areas
	Orders     []OrderRegion  // where a byte order shows itself
	Fields     []layout.Field // numbers that may be the size, or an address
	Chains     []Chain
	Checksums  []Checksum
	Left       int // candidates beyond the bounds of the lists
}

// Structure is a run of sectors that look alike, between two borders.
type Structure struct {
	disk.Span
	Looks   string  // blank, fill, pattern, text, data, packed, sound, not known
	Entropy float64 // bits a byte, mean of its sectors
}

// Strings sums up the readable text of the areas.
type Strings struct {
	Shortest int // characters; shorter ones are expected by chance
	Count    int
	Shown    []FoundText // the first of them
}

// FoundText is one run of printable ASCII.
type FoundText struct {
	Sector disk.Sector
	Offset int
	Text   string // cut at 48 characters
}

// Record is a structure in which bytes repeat at a constant distance.
type Record struct {
	disk.Span
	Bytes    int     // from one record to the next
	Same     float64 // share of bytes that repeat
	ByChance float64
}

// OrderRegion is a run of sectors whose byte order shows itself.
type OrderRegion struct {
	disk.Span
	Order    string // as image.Order writes it
	Evidence []string
	ByChance float64
}

// At most this many entries are kept of each list.
const (
	maxStructures = 512
	maxStrings    = 64
	maxRecords    = 32
	maxMirrors    = 64
	maxOrders     = 64
	maxFields     = 256
	maxChains     = 32
	maxChecksums  = 64
)

// shorten keeps the first entries of a list and counts the others.
func shorten[T any](list []T, most int, left *int) []T {
	if len(list) <= most {
		return list
	}
	*left += len(list) - most
	return list[:most]
}
