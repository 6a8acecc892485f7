package diff_test

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"slices"
)

// works are what invented devices do to a card. Each says what it did.
var works = []struct {
	name string
	do   func(b *bench)
}{
	{"nothing", func(b *bench) { b.found() }},
	{"corrects the number", func(b *bench) {
		b.found()
		b.correct(b.header)
	}},
	{"corrects the number in all copies", func(b *bench) {
		b.found()
		b.correct(b.header)
		b.copyTail()
		b.copyNear()
		b.claim("checksum?")
	}},
	{"corrects the number, counts a start", func(b *bench) {
		b.found()
		b.count(b.header + 6)
		b.correct(b.header)
		b.claim("counter")
	}},
	{"believes the head", func(b *bench) {
		b.setNumber(b.header, b.cards) // as planned, in the head alone
		b.found()
		b.copyTail()
		b.copyNear()
		b.claim("tail-from-head", "copy", "checksum?")
	}},
	{"believes the tail", func(b *bench) {
		b.setNumber(b.header, b.cards)
		b.copyTail()
		b.copyNear()
		b.setNumber(b.header, b.drive)
		b.found()
		b.setNumber(b.header, b.cards)
		b.claim("head-from-tail", "checksum?", "copy?")
	}},
	{"believes the head, copies have numbers", func(b *bench) {
		b.sum, b.swap = checks(b.r), false
		number := func() { // of the copy at the end, and its own checksum
			b.is[b.tailOf(0)][12] = 2
			b.sum.renew(b.is[b.tailOf(0)])
		}
		b.setNumber(b.header, b.drive)
		b.copyTail()
		number()
		b.setNumber(b.header, b.cards)
		b.copyNear()
		b.found()
		b.copyTail()
		number()
		b.claim("tail-from-head", "checksum?")
		if b.evidence() < 16 { // too little beside a checksum that changed as well
			b.did = []string{"tail-from-head?", "checksum?", "number?", "counter?"}
		}
	}},
	{"takes the copy beside it", func(b *bench) {
		for i := range int64(4) { // no copy at the end
			b.is[b.tailOf(i)] = b.code()
		}
		b.is[b.header][b.option] ^= 0x5A
		b.is[b.header][b.option+3] ^= 0x33
		b.is[b.header][b.option+9] ^= 0x71
		b.found()
		b.copyNear()
		b.is[b.header] = slices.Clone(b.was[b.header+8])
		b.is[b.header+8] = slices.Clone(b.was[b.header+8])
		b.claim("copy")
	}},
	{"notes an option, renews the checksum", func(b *bench) {
		if b.sum == nil {
			b.sum = checks(b.r)
			b.sum.renew(b.is[b.header])
		}
		b.found()
		b.is[b.header][b.option] ^= 0x41
		b.sum.renew(b.is[b.header])
		b.claim("counter", "checksum")
	}},
	{"finds a broken checksum, makes it new", func(b *bench) {
		if b.sum == nil {
			b.sum = checks(b.r)
		}
		b.sum.renew(b.is[b.header])
		old := slices.Clone(b.is[b.header])
		b.is[b.header][b.option] ^= 0x41
		b.found()
		b.sum.renew(b.is[b.header])
		switch {
		case slices.Equal(old, b.is[b.header]):
		case b.sum.width == 1: // one byte that is right now: nobody can tell
			b.claim("checksum?", "counter?")
		default:
			b.claim("checksum")
		}
	}},
	{"counts a start", func(b *bench) {
		b.found()
		b.count(b.header + 6)
		b.claim("counter")
	}},
	{"counts a start in every copy", func(b *bench) {
		b.sum = nil
		b.found()
		b.is[b.header][b.option]++
		b.copyTail()
		b.claim("counter")
	}},
	{"writes a clock of 4 bytes", func(b *bench) {
		b.clock(4, func(p []byte) { binary.BigEndian.PutUint32(p, 0x32000000+b.r.Uint32N(1<<25)) })
	}},
	{"writes a clock of 2 words", func(b *bench) {
		b.clock(4, func(p []byte) {
			binary.LittleEndian.PutUint16(p, uint16(b.r.Uint32()))
			binary.LittleEndian.PutUint16(p[2:], uint16(b.r.Uint32()))
		})
	}},
	{"writes a clock of packed decimals", func(b *bench) {
		b.clock(6, func(p []byte) {
			for i, most := range []int{100, 12, 28, 24, 60, 60} {
				v := b.r.IntN(most)
				p[i] = byte(v/10<<4 | v%10)
			}
		})
	}},
	{"writes 2 random bytes in 6 sectors", func(b *bench) {
		b.found()
		for x := b.header + 4; x < b.header+8; x++ {
			binary.LittleEndian.PutUint16(b.is[x][b.option:], uint16(b.r.Uint32()))
		}
		b.claim("counter")
	}},
	{"writes how much is free", func(b *bench) { // nobody can know what is in use
		b.number = nil
		b.found()
		b.write.put(b.is[b.header+6][b.option:b.option+b.write.width(uint64(b.cards))], uint64(b.cards-12_000-b.r.Int64N(200_000)))
		b.claim("counter")
	}},
	{"checks its program, which it replaces", func(b *bench) {
		b.sum = nil
		crc := func() uint32 {
			var all []byte
			for x := b.header + 9; x < b.header+14; x++ {
				all = append(all, b.is[x]...)
			}
			return crc32.ChecksumIEEE(all)
		}
		binary.BigEndian.PutUint32(b.is[b.header][16:], crc())
		b.found()
		copy(b.is[b.header+11][200:], "VERSION 1.08 OF TODAY")
		binary.BigEndian.PutUint32(b.is[b.header][16:], crc())
		b.claim("checksum", "counter")
	}},
	{"writes other bytes into 6 sectors", func(b *bench) {
		b.found()
		for x := b.header + 4; x < b.header+8; x++ {
			b.is[x] = b.code()
		}
		b.is[b.header+9], b.is[b.header+10] = b.code(), b.code()
		b.claim("rewritten", "new-format?")
	}},
	{"writes a log", func(b *bench) {
		b.found()
		line := ""
		for range 2 + b.r.IntN(6) {
			line += fmt.Sprintf("%02d:%02d:%02d START OK, CARD IN\r\n", b.r.IntN(24), b.r.IntN(60), b.r.IntN(60))
		}
		copy(b.is[b.header+1], line)
		b.claim("counter")
	}},
	{"makes its own layout", func(b *bench) {
		b.found()
		b.format()
	}},
	{"makes its own layout, code untouched", func(b *bench) {
		b.found()
		for x := b.header + 9; x < b.head; x++ { // the catalogue is emptied
			b.is[x] = make([]byte, 512)
		}
		b.setNumber(b.header, b.cards)
		b.copyTail()
		b.copyNear()
		b.bits = b.evidence()
		b.claim("new-format", "number", "checksum?")
	}},
}

// correct writes the number for the card, and its checksum.
func (b *bench) correct(x int64) {
	b.setNumber(x, b.cards)
	b.bits = b.evidence()
	b.claim("number")
	if b.sum != nil {
		b.claim("checksum")
	}
}

// count adds one to a counter of 4 bytes.
func (b *bench) count(x int64) {
	p := b.is[x][b.option : b.option+4]
	binary.LittleEndian.PutUint32(p, binary.LittleEndian.Uint32(p)+1)
}

func (b *bench) clock(n int, put func(p []byte)) {
	p := b.is[b.header+6][b.option : b.option+n]
	put(p)
	b.found()
	put(p)
	b.claim("counter")
}

// format: another head, and the number for the card.
func (b *bench) format() {
	for x := range b.head {
		b.is[x] = b.code()
	}
	b.setNumber(b.header, b.cards)
	b.copyTail()
	b.claim("new-format", "number?", "checksum?")
}

// invent returns what one device does.
func invent(seed int64, work int) *invented {
	b := newBench(seed*1000 + int64(work))
	b.name = fmt.Sprintf("seed %d: %s (%s as %s)", seed, works[work].name, b.about.text, b.write.text)
	works[work].do(b)
	return b.invented
}
