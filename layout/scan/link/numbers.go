package link

import (
	"encoding/binary"
	"math/bits"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// reader is an encoding of plain numbers. Those of 48 and 64 bits need none of their own:
// their high bytes are zero on any disk below 2^32 sectors, and what is left is a number of
// 32 bits in one of the four orders.
type reader struct {
	name  string
	width int
}

// The encodings, usual ones first: names as in candidate.Encoding.
var readers = [...]reader{
	{"le32", 4}, {"be32", 4}, {"be32-swap16", 4}, {"le32-swap16", 4}, {"le24", 3}, {"be24", 3}, {"le16", 2}, {"be16", 2},
}

// numbersAt reads one place in every encoding, in the order of readers: all of them are
// parts of the same four bytes, of which the first one is lowest in x.
func numbersAt(x uint32) [len(readers)]uint32 {
	y := bits.ReverseBytes32(x)
	return [...]uint32{
		x, y, bits.RotateLeft32(x, 16), bits.RotateLeft32(y, 16), x & 0xFFFFFF, y >> 8, x & 0xFFFF, y >> 16,
	}
}

// The encodings of an address as cylinder, head and sector.
const (
	tupleForm = "chs"     // the three bytes of a table entry
	codeForm  = "mov-chs" // mov cx, imm16 and, close behind it, mov dh or mov dx: as INT 13h wants them
	codeReach = 12        // bytes from the first of these instructions to the second. By hand, no source
)

// chs turns an address into a sector; ok is false if there is none such.
func chs(c, h, s, heads, track int) (disk.Sector, bool) {
	if s < 1 || s > track || h >= heads {
		return 0, false
	}
	return (disk.Sector(c)*disk.Sector(heads)+disk.Sector(h))*disk.Sector(track) + disk.Sector(s-1), true
}

// tuple reads the three bytes of a table entry: head, sector with the high bits of
// the cylinder, low bits of the cylinder (util-linux, include/pt-mbr.h).
func tuple(b []byte, heads, track int) (disk.Sector, bool) {
	return chs(int(b[1]&0xC0)<<2|int(b[2]), int(b[0]), int(b[1]&0x3F), heads, track)
}

// instructions reads mov cx, imm16 (B9) and mov dh, imm8 (B6) or mov dx, imm16 (BA)
// behind it: CH low cylinder bits, CL sector and high ones, DH head (INT 13h,
// function 2; instructions: Intel SDM volume 2, MOV). n is how many bytes they take.
func instructions(b []byte, heads, track int) (at disk.Sector, n int, ok bool) {
	if len(b) < 5 || b[0] != 0xB9 {
		return 0, 0, false
	}
	for i := 3; i < min(len(b)-1, codeReach); i++ {
		h, end := 0, 0
		switch {
		case b[i] == 0xB6:
			h, end = int(b[i+1]), i+2
		case b[i] == 0xBA && i+2 < len(b):
			h, end = int(b[i+2]), i+3
		default:
			continue
		}
		at, ok = chs(int(b[2])|int(b[1]&0xC0)<<2, h, int(b[1]&0x3F), heads, track)
		return at, end, ok
	}
	return 0, 0, false
}

// Sector returns the sector that the number in b names on a disk on which its unit
// is u. b begins with the number.
func (l *Link) Sector(b []byte, u Unit) (disk.Sector, bool) {
	if len(b) < l.Width {
		return 0, false
	}
	switch l.Encoding {
	case tupleForm:
		return tuple(b, u.Heads, u.Track)
	case codeForm:
		at, _, ok := instructions(b[:l.Width], u.Heads, u.Track)
		return at, ok
	}
	f, err := candidate.FormOf(candidate.Encoding(l.Encoding))
	if err != nil {
		return 0, false
	}
	v, ok := f.Decode(b)
	return u.sector(v), ok && v < 1<<48
}

func (u *Unit) sector(v uint64) disk.Sector {
	return u.Base + disk.Sector(v)*disk.Sector(u.Sectors)
}

// unit is a Unit with the targets that can be named in it.
type unit struct {
	Unit
	place  map[uint32]int32 // index of the place by its number
	filter filter           // of the numbers of place
	all    bins             // targets
	guard  bins             // guarded ones
	most   uint32           // the highest number
}

// bins count numbers by their octave, and in it by how often 2 divides them.
type bins [33][33]float64

func bin(v uint32) (oct, two int) { return bits.Len32(v), bits.TrailingZeros32(v) }

// width returns how many numbers there are in a bin.
func width(oct, two int) float64 {
	if two == oct-1 {
		return 1
	}
	return float64(uint64(1) << (oct - two - 2))
}

func newUnit(u Unit, list []Place) *unit {
	out := &unit{Unit: u, place: map[uint32]int32{}}
	for i := range list {
		at := list[i].Start - u.Base
		if at < 0 || int64(at)%u.Sectors != 0 {
			continue
		}
		n := int64(at) / u.Sectors
		if n <= 0 || n >= 1<<32 || u.Counts == InClusters && (list[i].Volume != u.Volume || list[i].Kind != File) {
			continue
		}
		v := uint32(n)
		out.place[v] = int32(i)
		out.most = max(out.most, v)
		oct, two := bin(v)
		out.all[oct][two]++
		if list[i].Guarded {
			out.guard[oct][two]++
		}
	}
	out.filter = newFilter(len(out.place))
	for v := range out.place {
		out.filter.add(v)
	}
	return out
}

// filter has a bit for numbers, by their lowest bits: what it does not have is none of
// them. Most numbers of a holder name nothing, and are turned away by one look.
type filter []uint64

// newFilter makes a filter for n numbers, in which about one of 16 others passes.
func newFilter(n int) filter {
	return make(filter, (1<<max(10, bits.Len(uint(16*n))))/64)
}

func (f filter) add(v uint32) { f[f.word(v)] |= 1 << (v % 64) }

func (f filter) has(v uint32) bool { return f[f.word(v)]>>(v%64)&1 != 0 }

// word is where a number has its bit. Filters have a power of two of words.
func (f filter) word(v uint32) uint32 { return v / 64 & uint32(len(f)-1) }

// find returns the place that a number names.
func (u *unit) find(v uint32) (int32, bool) {
	if v > u.most || !u.filter.has(v) {
		return 0, false
	}
	i, ok := u.place[v]
	return i, ok
}

// text is the bytes of one holder.
type text struct {
	b     []byte
	start []int         // bytes at which its pieces begin, ascending
	where []disk.Sector // sector of the disk of each
	from  []int         // byte of that sector
	size  int
}

func (t *text) add(at disk.Sector, from int, b []byte) {
	t.start = append(t.start, len(t.b))
	t.where = append(t.where, at)
	t.from = append(t.from, from)
	t.b = append(t.b, b...)
}

// place returns where a byte of the holder lies on the disk.
func (t *text) place(i int) (disk.Sector, int) {
	lo := 0
	for hi := len(t.start); hi-lo > 1; {
		if mid := (lo + hi) / 2; t.start[mid] <= i {
			lo = mid
		} else {
			hi = mid
		}
	}
	in := i - t.start[lo] + t.from[lo]
	return t.where[lo] + disk.Sector(in/t.size), in % t.size
}

// piece returns the byte after the piece that holds byte i: no number runs over it.
func (t *text) pieceEnd(i int) int {
	lo := 0
	for hi := len(t.start); hi-lo > 1; {
		if mid := (lo + hi) / 2; t.start[mid] <= i {
			lo = mid
		} else {
			hi = mid
		}
	}
	if lo+1 < len(t.start) {
		return t.start[lo+1]
	}
	return len(t.b)
}

// four returns the four bytes at i, the first one lowest, zeros after the end.
func (t *text) four(i int) uint32 {
	if i+4 <= len(t.b) {
		return binary.LittleEndian.Uint32(t.b[i:])
	}
	var b [4]byte
	copy(b[:], t.b[min(i, len(t.b)):])
	return binary.LittleEndian.Uint32(b[:])
}
