package family

import (
	"fmt"
	"math/rand/v2"

	"bootgraft/layout"
)

// MaxSize is the most sectors that an invented device can have.
const MaxSize = 1 << 27

// Random returns the invented model of a seed.
func Random(seed int64) *Family {
	r := rand.New(rand.NewPCG(uint64(seed), 0))
	f := &Family{
		Name: fmt.Sprintf("invented %d", seed), seed: uint64(seed),
		Head: 12 + r.IntN(20), Tail: 24, songs: 6, serialAt: 0x30, clockAt: 0x40, numberAt: 508,
	}
	f.songs = r.IntN(2) * 6
	slots := f.slots(r)
	for range 2 + r.IntN(4) {
		at := slots[0]
		slots = slots[1:]
		f.Numbers = append(f.Numbers, f.number(r, at[0], at[1], false))
	}
	if r.IntN(2) == 0 {
		f.Numbers = append(f.Numbers, f.number(r, 3+r.IntN(4), 32+4*r.IntN(8), true))
	}
	for _, s := range []int{0, 1} {
		if r.IntN(3) > 0 {
			f.addSum(r, s)
		}
	}
	f.addTwins(r)
	return f
}

// slots returns places in the first sectors where numbers may lie.
func (f *Family) slots(r *rand.Rand) (out [][2]int) {
	for s := range 5 {
		for b := 0x50; b < 0x180; b += 24 {
			out = append(out, [2]int{s, b + 2*r.IntN(3)})
		}
	}
	r.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

// number draws a number at a place.
func (f *Family) number(r *rand.Rand, sector, at int, end bool) Number {
	kind, of := drawValue(r, int64(f.Head), int64(f.Tail))
	for {
		w := writers[r.IntN(len(writers))]
		if of(MaxSize) > w.most {
			continue
		}
		return Number{Sector: sector, Byte: at, FromEnd: end, Kind: kind + ", " + w.name, Of: of, Write: w.write, Width: w.width}
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

// addSum gives a sector a checksum at its end.
func (f *Family) addSum(r *rand.Rand, sector int) {
	k := sumKinds[r.IntN(len(sumKinds))]
	w := writers[2+r.IntN(2)]
	switch k.width {
	case 1:
		w = writer{width: 1, write: func(b []byte, v int64) { b[0] = byte(v) }}
	case 2:
		w = writers[r.IntN(2)]
	}
	s := sum{sector: sector, at: 504, width: k.width, kind: k.name, write: w.write, compute: k.compute, to: sectorSize}
	if r.IntN(2) == 0 {
		s.to = 504 // up to the checksum, and without the copy number
	}
	f.sums = append(f.sums, s)
}

// addTwins gives the device a second copy of its first sectors: forward, or
// in reverse order, in other words, or several with a number of their own.
func (f *Family) addTwins(r *rand.Rand) {
	words := []int{1, 1, 2, 4}[r.IntN(4)]
	switch r.IntN(4) {
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
	}
}

// Sizes returns count different sizes such as drives and cards have, at least
// one of them no multiple of a cylinder.
func Sizes(seed int64, count int) []layout.Sector {
	r := rand.New(rand.NewPCG(uint64(seed), 9))
	seen := map[int64]bool{}
	var out []layout.Sector
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
			out = append(out, layout.Sector(n))
		}
	}
	return out
}
