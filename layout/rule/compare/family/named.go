package family

import (
	"encoding/binary"

	"bootgraft/image/disk"
)

func be32(b []byte, v int64) { binary.BigEndian.PutUint32(b, uint32(v)) }
func le32(b []byte, v int64) { binary.LittleEndian.PutUint32(b, uint32(v)) }
func be16(b []byte, v int64) { binary.BigEndian.PutUint16(b, uint16(v)) }

// swapped16 writes as a device does whose whole disk has its words swapped.
func swapped16(b []byte, v int64) {
	be32(b, v)
	b[0], b[1], b[2], b[3] = b[1], b[0], b[3], b[2]
}

// Named returns invented devices with the traits of published descriptions:
//
//	A  clusters of 18 blocks behind a system area of 0x504 blocks, an identity in block 0
//	B  sector addresses in words reversed, a second copy at the end in reverse order
//	C  a directory far into the head, a sector address of four bytes a song
//	D  one big-endian address of a block of firmware
//	F  pairs of start and length without gap, the first absolute, the rest relative to it
//	J  a whole disk in 16-bit words swapped
//	L  a table of three entries, the last of them before the end
func Named() []*Family {
	return []*Family{familyA(), familyB(), familyC(), familyD(), familyF(), familyJ(), familyL()}
}

func number(sector, at, width int, kind string, write func([]byte, int64), of func(int64) int64) Number {
	return Number{Sector: sector, Byte: at, Width: width, Kind: kind, Write: write, Of: of}
}

func familyA() *Family {
	return &Family{Name: "A", seed: 1001, Head: 16, Tail: 4, serialAt: 0x30, numberAt: 508, Numbers: []Number{
		number(0, 0x60, 2, "clusters of 18", be16, func(n int64) int64 { return (n - 0x504) / 18 }),
		number(0, 0x64, 4, "blocks", be32, func(n int64) int64 { return n }),
	}}
}

func familyB() *Family {
	f := &Family{Name: "B", seed: 1002, Head: 110, Tail: 110, serialAt: 0x30, numberAt: 508, Numbers: []Number{
		number(0, 0x50, 4, "last sector", le32, func(n int64) int64 { return n - 1 }),
		number(1, 0x50, 4, "second copy", le32, func(n int64) int64 { return n - 2 }),
		number(4, 0x54, 4, "end of the data", le32, func(n int64) int64 { return n - 110 }),
		number(21, 0x58, 4, "free sectors", le32, func(n int64) int64 { return n - 2*110 }),
	}}
	block := func(from, to, end int) { // sectors forward inside the block
		for i := from; i <= to; i++ {
			f.twins = append(f.twins, twin{of: i, end: end - (i - from), words: 1})
		}
	}
	block(0, 0, 1)
	block(1, 1, 2)
	block(2, 4, 5)
	block(5, 19, 20)
	for i := 20; i < 104; i++ {
		block(i, i, i+1)
	}
	return f
}

func familyC() *Family {
	f := &Family{Name: "C", seed: 1003, Head: 0x210, Tail: 4, songs: 6, clockAt: 0x40, numberAt: 508, Numbers: []Number{
		number(0, 0x50, 4, "sectors", be32, func(n int64) int64 { return n }),
		number(0x201, 0x10, 4, "the last song", be32, func(n int64) int64 { return n - 4096 }),
	}}
	return f
}

func familyD() *Family {
	return &Family{Name: "D", seed: 1004, Head: 8, Tail: 8, serialAt: 0x30, numberAt: 508, Numbers: []Number{
		number(1, 0x0C, 4, "block of firmware", be32, func(n int64) int64 { return n - 4096 - 8 }),
	}}
}

func familyF() *Family {
	const start, system = 0x20000, 0x4000
	return &Family{Name: "F", seed: 1006, Head: 24, Tail: 4, numberAt: 508, Numbers: []Number{
		number(2, 0x04, 4, "length of the rest", be32, func(n int64) int64 { return n - start }),
		number(2, 0x14, 4, "length of the last", be32, func(n int64) int64 { return n - start - system }),
		number(2, 0x1C, 4, "end of the last", be32, func(n int64) int64 { return n - start }),
	}}
}

func familyJ() *Family {
	return &Family{Name: "J", seed: 1010, Head: 12, Tail: 6, serialAt: 0x30, numberAt: 508, Numbers: []Number{
		number(0, 0x54, 4, "sectors", swapped16, func(n int64) int64 { return n }),
		number(1, 0x58, 4, "sectors of the map's last entry", swapped16, func(n int64) int64 { return n - 0x8000 }),
	}, twins: []twin{{of: 0, end: 1, words: 2}}}
}

func familyL() *Family {
	small := func(n int64) int64 { return n - 39_456 } // 20.2 MB before the end
	f := &Family{Name: "L", seed: 1012, Head: 10, Tail: 4, numberAt: 508, Numbers: []Number{
		number(0, 0x1E2, 4, "start of the small part", le32, small),
		number(0, 0x1D6, 4, "length of the second part", le32, func(n int64) int64 { return small(n) - 900_000 }),
	}}
	f.sums = []sum{{at: 506, width: 2, kind: sumKinds[2].name, to: 506, write: writers[0].write,
		compute: sumKinds[2].compute}}
	return f
}

// Strange returns devices whose numbers follow no rule that can be known from
// a few disks: the size mixed with a key, a number of few digits, a total less
// what is in use, a table that its own length shortens. Nothing of them may
// ever be called proved and be wrong.
func Strange(seed int64) *Family {
	key := seed * 0x9E3779B9 & 0xFFFFFF
	fat := func(n int64) int64 { return (n/64 + 255) / 256 }
	return &Family{Name: "strange", seed: uint64(seed), Head: 12, Tail: 4, serialAt: 0x30, clockAt: 0x40, numberAt: 508,
		Numbers: []Number{
			number(0, 0x60, 4, "sectors mixed with a key", be32, func(n int64) int64 { return n ^ key }),
			number(0, 0x70, 2, "bitmap", be16, func(n int64) int64 { return 12 + (n/64+4095)/4096 }),
			number(1, 0x60, 4, "sectors less what is in use", le32, func(n int64) int64 { return n - 5000 - n*seed%977 }),
			number(1, 0x70, 4, "clusters beside their table", le32, func(n int64) int64 { return (n - 64 - 2*fat(n)) / 64 }),
			number(2, 0x60, 4, "units of 2048 with a hidden area", be32,
				func(n int64) int64 { return (n - seed*37%2048) / 2048 }),
			number(2, 0x70, 4, "two thirds", le32, func(n int64) int64 { return n * 2 / 3 }),
			number(3, 0x61, 2, "gigabytes", be16, func(n int64) int64 { return n * sectorSize / 1e9 }),
		}}
}

// NamedSizes are sizes that every named family can have.
func NamedSizes() []disk.Sector {
	return []disk.Sector{1_024_129, 1_108_800, 1_179_840, 1_040_007, 1_175_000}
}
