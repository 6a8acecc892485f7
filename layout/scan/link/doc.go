// Package link finds the numbers in boot code that name a place of the disk.
//
// A loader that does not read directories knows what it starts by its sector. The
// number stands in the code of sector 0, in the boot sector of a volume, in the gap
// before the first volume, or in what these lead to; never in the bytes of a table.
// A Link is such a number: its holder and byte, how it is written, what it counts,
// and the place that it names.
//
// # Chance
//
// Any four bytes of code may happen to be the address of a file. A number counts as
// a link only where fewer than Bar such accidents are expected of its kind.
//
//	kind       one encoding, one unit, one holder
//	expected   the sum, over the octaves of the numbers that the holder shows in this
//	           encoding and, inside an octave, over how often 2 divides them, of
//	             how many numbers of the holder lie there
//	             times the share of all numbers there that are addresses of targets
//
// Octaves, because code is full of small numbers and of zeros, so that its numbers
// are nothing like evenly spread; powers of two, because clusters begin at even
// places, and so do the numbers in code. Only such classes are added up in which
// an accident is at most as likely as in that of the number itself.
//
// For a 32-bit number in the real code of five loaders in sector 0 this is 0.004 to
// 0.011 an order with 10,000 files on 20 GB; with 24 bits 0.1, and in a gap of 130 KB
// 0.4: these need a second evidence. Measured with invented code, a quarter of its bytes
// below 4, and as many files: less than one accident a disk.
//
// A small number, below 65,536, is never taken to stand there for a reason alone: any
// byte before padding reads as one. In much code (gaps, files) it is never a link without
// a second evidence: lengths, offsets and counts are not spread by chance.
//
// Second evidences, each a factor (see evidence.go):
//
//	length   the sectors or bytes of what is named stand beside the number; zeros in it
//	         say nothing beside a number that has zeros itself
//	list     a further number of the same kind stands within 16 bytes, naming another place
//	leads    what is named begins with a list of such numbers itself
//	listed   with the number begins such a list: each number one more than the one before
//	system   only files are named that are hidden, of the system or read-only:
//	         fewer targets, and so fewer accidents
//
// A list of a form that is known (forms.go) needs no chance: it is followed whole. A file
// whose name stands in the boot code of its volume is code too, and is searched.
package link

// Bar is how many accidental links of one usual kind are expected in one holder at
// most, so that 32-bit numbers in sector 0 need no second evidence. By hand, no source:
// the figures above for real code were told and are not measured by a test here.
//
// Of the many unusual kinds, barOfOthers are expected at most: they share one bar. See
// kind.bar for which is which.
//
// Up to WeakBar of one common kind a number in the code with which a machine starts is no
// link, and no accident either: whether it names a place cannot be known. Nothing is asked
// because of it; it is told where the place would have gone.
const (
	bar         = 1.0 / 64
	barOfOthers = bar / 64
	WeakBar     = 1.0 / 8
)

// Bounds. All are by hand, no source; none makes chance look smaller than it is.
const (
	maxHolder  = 1 << 20 // bytes of one holder that are searched
	maxSearch  = 4 << 20 // bytes of all holders together
	MaxDepth   = 8       // links that lead to each other, from the first holder on
	maxLinks   = 1 << 12 // links that are kept
	maxWeak    = 1 << 6  // weak ones
	maxPlaces  = 1 << 18 // targets
	maxEntries = 8       // entries that numbers may be relative to
	maxList    = 1 << 10 // entries of a list of a known form
	listReach  = 16      // bytes between two numbers of a list
	besideGap  = 2       // bytes between a number and its length
	structures = 256     // of a gap or the tail that are targets
)
