package candidate

import (
	"fmt"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// quantity is a number that a device may keep about the size of its disk.
type quantity struct {
	rank    int
	value   uint64
	meaning string
	law     *layout.Law // nil: it does not follow the size
}

// inUnits is the law of a number of units of per sectors behind the first area.
func inUnits(per, area int64) *layout.Law { return &layout.Law{Times: 1, Of: 1, Per: per, Add: -area} }

// inBytes is the law of a number of per bytes of a disk with sectors of size bytes.
func inBytes(size int, per int64) *layout.Law {
	return &layout.Law{Times: 1, Of: int64(size), Per: per}
}

// lessOne is a law whose number is one less.
func lessOne(l *layout.Law) *layout.Law { l.Plus--; return l }

// quantities lists what the size of a disk of n sectors of size bytes may be
// written as; starts are the structures that the size may be counted from.
func quantities(n disk.Sector, size int, starts []disk.Sector) []quantity {
	sectors, bytes := uint64(n), uint64(n)*uint64(size)
	out := []quantity{
		{0, sectors, "sectors of the disk", inUnits(1, 0)},
		{0, sectors - 1, "last sector of the disk", inUnits(1, 1)},
		{1, bytes, "bytes of the disk", inBytes(size, 1)},
		{1, bytes >> 10, "KiB of the disk", inBytes(size, 1<<10)},
		{1, bytes >> 20, "MiB of the disk", inBytes(size, 1<<20)},
		{1, bytes / 1e6, "MB of the disk", inBytes(size, 1e6)},
		{2, bytes - 1, "last byte of the disk", lessOne(inBytes(size, 1))},
	}
	if size != 512 {
		out = append(out, quantity{1, bytes / 512, "sectors of 512 bytes of the disk", inBytes(size, 512)},
			quantity{2, bytes/512 - 1, "last sector of 512 bytes of the disk", lessOne(inBytes(size, 512))})
	}
	for _, other := range []uint64{2048, 4096} { // as some bridges show the disk
		if uint64(size) < other {
			out = append(out, quantity{3, bytes / other, fmt.Sprintf("sectors of %d bytes of the disk", other),
				inBytes(size, int64(other))})
		}
	}
	units := units(InNumbers)
	for _, u := range units {
		out = append(out, countedIn(u, sectors)...)
	}
	for _, s := range starts {
		if s < 2 || s >= n {
			continue
		}
		out = append(out, quantity{4, uint64(n - s), fmt.Sprintf("sectors from %d to the end of the disk", s),
			inUnits(1, int64(s))})
		for _, u := range units {
			if u.Track == 0 {
				out = append(out, quantity{6, uint64(n-s) / uint64(u.Sectors),
					fmt.Sprintf("size of the disk from sector %d on in %s", s, u.Name()), inUnits(u.Sectors, int64(s))})
			}
		}
	}
	return slices.DeleteFunc(out, func(q quantity) bool { return q.value == 0 || q.value > sectors*uint64(size) })
}

// countedIn lists what the size of a disk of so many sectors may be written as where it
// is counted in a unit.
func countedIn(u unit, sectors uint64) []quantity {
	per, name := uint64(u.Sectors), u.Name()
	rank := 2
	if per == 2 || per == 63 {
		rank = 3
	}
	out := []quantity{{rank, sectors / per, "size of the disk in " + name, inUnits(u.Sectors, 0)}}
	if sectors%per != 0 {
		out = append(out, quantity{3, sectors - sectors%per, "sectors of the disk in whole " + name,
			&layout.Law{Times: u.Sectors, Of: 1, Per: u.Sectors}})
	}
	return append(out, quantity{4, sectors/per - 1, "size of the disk in " + name + ", less one",
		lessOne(inUnits(u.Sectors, 0))})
}

// encodings are all that numbers are looked for in.
var encodings = append(slices.Clone(Binary), Coded...)

// write returns a pattern for each encoding that can hold the value without
// being much too wide for it.
func (q quantity) write(in []Encoding, every func(*Form) int) (out []pattern) {
	for i, e := range in {
		f := forms[e]
		b := make([]byte, f.Width)
		if f.Encode(b, q.value) != nil {
			continue
		}
		out = append(out, pattern{bytes: b, rank: q.rank, encoding: e, order: i, value: q.value, meaning: q.meaning,
			law: q.law, width: f.Width, every: every(f)})
	}
	return out
}

// anywhere lets a field begin at any byte.
func anywhere(*Form) int { return 1 }

// evenly lets a plain number begin at multiples of its own width, or of four
// bytes, and text anywhere.
func evenly(f *Form) int {
	switch {
	case f.kind != "":
		return 1
	case f.Width%4 == 0:
		return 4
	case f.Width%2 == 0:
		return 2
	}
	return 1
}

// triples returns patterns of cylinders, heads and sectors side by side: as
// three 16-bit words, or cylinders in a word and the others in bytes.
func triples(n disk.Sector, every int) (out []pattern) {
	for _, u := range units(Beside) {
		heads, perTrack := uint64(u.Heads), uint64(u.Track)
		cylinders := uint64(n) / (heads * perTrack)
		if cylinders == 0 || cylinders > 0xFFFF {
			continue
		}
		meaning := u.Name() + ", which stand beside it"
		for i, e := range []Encoding{"le16", "be16"} {
			put := func(at int, values ...uint64) {
				p := pattern{rank: 2, encoding: e, order: i, value: cylinders, meaning: meaning, law: inUnits(u.Sectors, 0), at: at,
					width: 2, every: every}
				for _, v := range values {
					b := make([]byte, 2)
					if err := forms[e].Encode(b, v); err != nil {
						panic(err) // all values fit
					}
					p.bytes = append(p.bytes, b...)
				}
				out = append(out, p)
			}
			put(0, cylinders, heads, perTrack)
			put(4, heads, perTrack, cylinders)
			if e == "be16" {
				put(0, cylinders, heads<<8|perTrack)
				put(2, heads<<8|perTrack, cylinders)
			} else {
				put(0, cylinders, perTrack<<8|heads)
				put(2, perTrack<<8|heads, cylinders)
			}
		}
	}
	return out
}

// sizePatterns lists the size of the disk in all its forms.
func sizePatterns(n disk.Sector, size int, starts []disk.Sector, every func(*Form) int) (out []pattern) {
	for _, q := range quantities(n, size, starts) {
		out = append(out, q.write(encodings, every)...)
	}
	return append(out, triples(n, 1)...)
}

// entryPatterns lists the lengths of entries of the table, and where they end, in all
// their forms.
func entryPatterns(entries []layout.Entry, size int, every func(*Form) int) (out []pattern) {
	for _, e := range entries {
		if e.Count < 2 {
			continue
		}
		for _, q := range []quantity{
			{0, uint64(e.Count), fmt.Sprintf("sectors of entry %d", e.Index), inUnits(1, 0)},
			{0, uint64(e.End() - 1), fmt.Sprintf("last sector of entry %d", e.Index), inUnits(1, 1-int64(e.Start))},
			{1, uint64(e.End()), fmt.Sprintf("sector behind entry %d", e.Index), inUnits(1, -int64(e.Start))},
			{1, uint64(e.Count) * uint64(size), fmt.Sprintf("bytes of entry %d", e.Index), inBytes(size, 1)},
		} {
			for _, p := range q.write(encodings, every) {
				p.entry = e.Index
				out = append(out, p)
			}
		}
	}
	return out
}

// addressForms are the encodings in which addresses are looked for.
var addressForms = []Encoding{"le32", "be32", "be32-swap16", "le32-swap16", "le64", "be64", "le24", "be24", "le48",
	"be48"}

// tailReach is how many sectors before the end of the disk what starts there counts
// from the end: more than that, or than an eighth of the disk, does not.
const tailReach = 1 << 16

// addressPatterns lists, for every sector at which something starts, the
// forms in which a field may name it: absolute, counted from another start, in
// larger units, in bytes.
func addressPatterns(src disk.Sector, size int, starts []disk.Sector) (out []pattern) {
	put := func(rank int, v uint64, law *layout.Law, format string, args ...any) {
		if v > 1 {
			out = append(out, quantity{rank, v, fmt.Sprintf(format, args...), law}.write(addressForms,
				func(f *Form) int { return min(2, evenly(f)) })...)
		}
	}
	for _, t := range starts {
		if t == 0 || t >= src-1 {
			continue // the last sectors are sizes of the disk already
		}
		fromEnd := func(of, per int64, base disk.Sector) *layout.Law {
			if src-t > min(tailReach, src/8) {
				return nil
			}
			return &layout.Law{Times: 1, Of: of, Per: per, Add: -int64(src-t+base) * of}
		}
		put(0, uint64(t), fromEnd(1, 1, 0), "address of sector %d, where something starts", t)
		put(1, uint64(t)*uint64(size), fromEnd(int64(size), 1, 0), "address in bytes of sector %d, where something starts", t)
		for _, u := range UnitSizes(Address) {
			if int64(t)%u == 0 {
				put(2, uint64(int64(t)/u), fromEnd(1, u, 0), "address, in units of %d sectors, of sector %d, where something "+
					"starts", u, t)
			}
		}
		for _, base := range starts[:min(len(starts), 16)] {
			if base > 1 && base < t {
				put(3, uint64(t-base), fromEnd(1, 1, base), "address of sector %d, where something starts, counted from sector %d",
					t, base)
			}
		}
	}
	return out
}
