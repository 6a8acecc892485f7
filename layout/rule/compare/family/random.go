package family

import (
	"fmt"
	"math/rand/v2"
	"slices"

	"bootgraft/image/disk"
)

// MaxSize is the most sectors that an invented device can have.
const MaxSize = 1 << 27

// Random returns the invented model of a seed.
func Random(seed int64) *Family {
	r := rand.New(rand.NewPCG(uint64(seed), 0))
	f := &Family{
		Name: fmt.Sprintf("invented %d", seed), seed: uint64(seed), words: []int{1, 1, 1, 2, 4}[r.IntN(5)],
		Head: 14 + r.IntN(20), Tail: 24, serialAt: 0x30, clockAt: 0x40, numberAt: 508,
	}
	f.songs, f.logAt = r.IntN(2)*6, r.IntN(2)*6
	slots := f.slots(r)
	for range 2 + r.IntN(4) {
		f.Numbers = append(f.Numbers, f.number(r, slots[0][0], slots[0][1], false))
		slots = slots[1:]
	}
	if r.IntN(2) == 0 {
		f.Numbers = append(f.Numbers, f.number(r, 3+r.IntN(4), 32+4*r.IntN(8), true))
	}
	if r.IntN(4) == 0 {
		f.addChain(r)
	}
	for _, s := range []int{0, 1} {
		if r.IntN(3) > 0 {
			f.addSum(r, s)
		}
	}
	if r.IntN(3) == 0 {
		f.addOuterSum(r)
	}
	f.addTwins(r)
	return f
}

// slots returns places in the first sectors where numbers may lie.
func (f *Family) slots(r *rand.Rand) (out [][2]int) {
	for s := range 5 {
		for b := 0x50; b < 0x180; b += 24 {
			b := b
			if f.words == 1 {
				b += 2 * r.IntN(3)
			}
			out = append(out, [2]int{s, b})
		}
	}
	r.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

// number draws a number at a place.
func (f *Family) number(r *rand.Rand, sector, at int, end bool) Number {
	kind, of := drawValue(r, int64(f.Head), int64(f.Tail))
	known := writers
	if f.words > 1 {
		known = writers[:wordWriters]
	}
	for {
		w := known[r.IntN(len(known))]
		if of(MaxSize) > w.most {
			continue
		}
		return Number{Sector: sector, Byte: at, FromEnd: end, Kind: kind + ", " + w.name, Of: of, Write: w.write,
			Width: w.width}
	}
}

// drawValue draws what a number says about a disk of n sectors.
func drawValue(r *rand.Rand, head, tail int64) (string, func(int64) int64) {
	unit := []int64{8, 16, 18, 24, 32, 64, 96, 128, 1008, 16065}[r.IntN(10)]
	area := []int64{0, 1, head, head + tail, 1284, int64(r.IntN(5000))}[r.IntN(6)]
	up := func(a, b int64) int64 { return (a + b - 1) / b }
	switch r.IntN(13) {
	case 0:
		return "sectors", func(n int64) int64 { return n }
	case 1:
		return "last sector", func(n int64) int64 { return n - 1 }
	case 2:
		return "bytes", func(n int64) int64 { return n * sectorSize }
	case 3:
		return "KiB", func(n int64) int64 { return n / 2 }
	case 4:
		return "MiB", func(n int64) int64 { return n * sectorSize >> 20 }
	case 5:
		return "MB", func(n int64) int64 { return n * sectorSize / 1e6 }
	case 6, 7:
		if unit > 1000 {
			area = 0 // cylinders are those of the whole disk
		}
		return fmt.Sprintf("units of %d without %d", unit, area), func(n int64) int64 { return (n - area) / unit }
	case 8:
		return fmt.Sprintf("units of %d and two", unit), func(n int64) int64 { return n/unit + 2 }
	case 9:
		return fmt.Sprintf("whole units of %d in sectors", unit), func(n int64) int64 { return n - n%unit }
	case 10:
		return "begun cylinders of 63", func(n int64) int64 { return up(n, 63) }
	case 11:
		if unit > 1000 {
			unit = 63 // nobody counts a begun cylinder of that size
		}
		return fmt.Sprintf("units of %d, begun ones too", unit), func(n int64) int64 { return up(n, unit) }
	}
	return "address before the end", func(n int64) int64 { return n - 2 - area }
}

// addChain gives the device a table of three entries without gaps: of a fixed
// start and length, of the rest, and of a fixed length before the end.
func (f *Family) addChain(r *rand.Rand) {
	const sector, at = 5, 0x20
	first, second, last := int64(f.Head), int64(1000+r.IntN(5000)), int64(2000+r.IntN(9000))
	less := int64(f.Tail)
	for i, of := range []func(n int64) int64{
		func(int64) int64 { return first },
		func(int64) int64 { return second - first },
		func(int64) int64 { return second },
		func(n int64) int64 { return n - less - last - second },
		func(n int64) int64 { return n - less - last },
		func(int64) int64 { return last },
	} {
		f.Numbers = append(f.Numbers, number(sector, at+4*i, 4, "chain", be32, of))
	}
	f.chains = append(f.chains, chain{at: sector*sectorSize + at, count: 3, less: less})
}

// drawSum draws an algorithm and a way to write it.
func drawSum(r *rand.Rand, least int) (sumKind, writer) {
	for {
		k := sumKinds[r.IntN(len(sumKinds))]
		w := writers[2+r.IntN(2)]
		switch k.width {
		case 1:
			w = writer{width: 1, write: func(b []byte, v int64) { b[0] = byte(v) }}
		case 2:
			w = writers[r.IntN(2)]
		}
		if k.width >= least {
			return k, w
		}
	}
}

// addSum gives a sector a checksum at its end.
func (f *Family) addSum(r *rand.Rand, sector int) {
	k, w := drawSum(r, 1)
	start := sector * sectorSize
	s := sum{at: start + 504, width: k.width, kind: k.name, write: w.write, compute: k.compute, from: start,
		to: start + sectorSize}
	if r.IntN(2) == 0 {
		s.to = start + 504 // up to the checksum, and without the copy number
	}
	f.sums = append(f.sums, s)
}

// addOuterSum gives the first sectors a checksum in the one behind them, or
// before them.
func (f *Family) addOuterSum(r *rand.Rand) {
	k, w := drawSum(r, 2)
	s := sum{width: k.width, kind: k.name, write: w.write, compute: k.compute}
	if r.IntN(2) == 0 {
		s.at, s.to = 7*sectorSize+0x40, 7*sectorSize
		s.from = s.to - []int{4, 5, 6, 7}[r.IntN(4)]*sectorSize
	} else {
		s.at, s.from = 2*sectorSize+0x1C0, 3*sectorSize
		s.to = s.from + []int{3, 4, 5, 8}[r.IntN(4)]*sectorSize
	}
	if f.varies(s.from, s.to) {
		f.sums = append(f.sums, s)
	}
}

// varies tells whether numbers of the device lie in a span of the head.
func (f *Family) varies(from, to int) bool {
	return slices.ContainsFunc(f.Numbers, func(x Number) bool {
		at := x.Sector*sectorSize + x.Byte
		return !x.FromEnd && at >= from && at < to && x.Of(MaxSize) != x.Of(MaxSize/2)
	})
}

// addTwins gives the device a second copy of its first sectors: forward, or
// in reverse order, or in blocks in reverse order, in other words, or several
// with a number of their own.
func (f *Family) addTwins(r *rand.Rand) {
	words := []int{1, 1, 2, 4}[r.IntN(4)]
	if f.words > 1 {
		words = []int{1, f.words}[r.IntN(2)]
	}
	switch r.IntN(5) {
	case 0:
		for i := range 5 {
			f.twins = append(f.twins, twin{of: i, end: f.Tail - i, words: words})
		}
	case 1:
		for i := range 5 {
			f.twins = append(f.twins, twin{of: i, end: f.Tail - 5 + i, words: words})
		}
	case 2:
		for c := range 2 {
			for i := range 5 {
				f.twins = append(f.twins, twin{of: i, end: f.Tail - 6*c - i, words: words, number: byte(c + 1)})
			}
		}
	case 3:
		for i, end := range []int{9, 10, 13, 12, 11} {
			f.twins = append(f.twins, twin{of: i, end: end, words: words})
		}
	}
}

// Sizes returns count different sizes such as drives and cards have, at least
// one of them no multiple of a cylinder.
func Sizes(seed int64, count int) []disk.Sector {
	r := rand.New(rand.NewPCG(uint64(seed), 9))
	seen := map[int64]bool{}
	var out []disk.Sector
	for len(out) < count {
		n := 2_000_000 + r.Int64N(60_000_000)
		switch len(out) % 4 {
		case 1:
			n -= n % 1008
		case 2:
			n -= n % 32
		case 3:
			n -= n % 2048
		}
		if !seen[n] {
			seen[n] = true
			out = append(out, disk.Sector(n))
		}
	}
	return out
}
