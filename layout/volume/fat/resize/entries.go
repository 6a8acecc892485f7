package resize

import (
	"encoding/binary"

	"bootgraft/layout/volume/fat"
)

// filler puts the new entries into one table, from front to back.
type filler struct {
	*job
	counts bool   // its entries are those in force
	in     []move // still to come
}

// meaningEnds returns the byte of a table after the last that is looked at.
func (f *filler) meaningEnds() int64 {
	last := int64(max(f.old.clusters, f.new.clusters))
	if f.marks() {
		last = f.lastMark() - 1
	}
	return ((last+2)*int64(f.old.kind) + 7) / 8
}

// marks tells whether entries behind the last cluster change.
func (j *job) marks() bool {
	return j.new.clusters < j.old.clusters && j.w.Slack != SlackKeep
}

// lastMark is the last entry that a mark makes sense for: no higher number is
// that of a cluster.
func (j *job) lastMark() int64 {
	return min(j.new.capacity()+1, int64(j.old.kind.Bad())-1)
}

// fill puts new entries into b, which begins at byte off of the table.
func (f *filler) fill(b []byte, off int64) {
	k := f.old.kind
	first := off * 8 / int64(k)
	end := first + int64(len(b))*8/int64(k)
	if f.counts {
		for c := first; f.w.Empty && c < 2; c++ { // as they were, or made new
			putEntry(k, b, c-first, f.entries[c])
		}
		for c := max(2, first); c < min(end, int64(f.new.clusters)+2); c++ {
			putEntry(k, b, c-first, f.entry(uint32(c)))
		}
	}
	if !f.marks() {
		return
	}
	value := k.Bad()
	if f.w.Slack == SlackZero {
		value = 0
	}
	for c := max(first, int64(f.new.clusters)+2); c < min(end, f.lastMark()+1); c++ {
		putEntry(k, b, c-first, k.Put(getEntry(k, b, c-first), value))
	}
}

// entry returns the new entry of cluster c. Its reserved bits stay: they
// belong to the place, not to the chain.
func (f *filler) entry(c uint32) uint32 {
	if c > f.old.clusters+1 {
		return 0
	}
	for len(f.in) > 0 && c >= f.in[0].to+f.in[0].count {
		f.in = f.in[1:]
	}
	k, from := f.old.kind, c
	switch {
	case len(f.in) > 0 && c >= f.in[0].to:
		from = c - f.in[0].to + f.in[0].from
	case c-f.moves.vacated.First < f.moves.vacated.Count, f.bad(c) && f.vacant(c):
		return k.Put(f.entries[c], 0)
	}
	next := f.entries[from] & k.Mask()
	if next >= 2 && next <= f.old.clusters+1 {
		next = f.moves.to(next)
	}
	return k.Put(f.entries[c], next)
}

// putEntry writes entry i of a table. One of FAT12 may straddle two sectors;
// its table begins at byte 0 of b. FG, "FAT Data Structure".
func putEntry(k fat.Kind, b []byte, i int64, e uint32) {
	switch at := i + i/2; {
	case k == fat.FAT16:
		binary.LittleEndian.PutUint16(b[2*i:], uint16(e))
	case k == fat.FAT32:
		binary.LittleEndian.PutUint32(b[4*i:], e)
	case i%2 == 0:
		b[at], b[at+1] = byte(e), b[at+1]&0xF0|byte(e>>8)&0x0F
	default:
		b[at], b[at+1] = b[at]&0x0F|byte(e<<4), byte(e>>4)
	}
}

func getEntry(k fat.Kind, b []byte, i int64) uint32 {
	switch at := i + i/2; {
	case k == fat.FAT16:
		return uint32(binary.LittleEndian.Uint16(b[2*i:]))
	case k == fat.FAT32:
		return binary.LittleEndian.Uint32(b[4*i:])
	case i%2 == 0:
		return uint32(b[at]) | uint32(b[at+1]&0x0F)<<8
	default:
		return uint32(b[at]>>4) | uint32(b[at+1])<<4
	}
}
