package diff_test

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/bits"
	"math/rand/v2"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// invented is one invented device with a card: what it found on it, what it
// left there, and what it really did. It shares no code with what is tested.
type invented struct {
	name         string
	drive, cards int64 // sectors
	was, is      map[int64][]byte
	bits         float64  // what the change of the number is worth; 0: it was not changed
	did          []string // number, head-from-tail, tail-from-head, copy, checksum, counter, new-format
	number       *written
}

// written is the number that the device really wrote.
type written struct {
	sector int64
	byte   int
	value  uint64
	about  string // of the card
}

// The sizes of drives are whole cylinders, those of cards are not. Invented,
// after the sizes that drives and cards of the time have.
var (
	driveSizes = []int64{6_346_368, 12_594_960, 19_640_880, 39_070_080, 4_233_600, 8_452_080, 3_173_184}
	cardSizes  = []int64{31_266_816, 7_829_504, 15_625_216, 62_333_952, 3_911_680, 31_116_288, 1_981_440, 124_735_488}
)

// bench is one device at work.
type bench struct {
	*invented
	r          *rand.Rand
	head, tail int64 // sectors in use at both ends
	header     int64
	at, option int  // bytes of the header: of the number, of an option
	write      form // of the number
	about      about
	sum        *check // or nil
	back, swap bool   // of the copy at the end
}

type about struct {
	text string
	of   func(n int64) uint64
	less bool // of: the sectors of the head
}

var abouts = []about{
	{"sectors", func(n int64) uint64 { return uint64(n) }, false},
	{"last sector", func(n int64) uint64 { return uint64(n) - 1 }, false},
	{"bytes", func(n int64) uint64 { return uint64(n) * 512 }, false},
	{"binary megabytes", func(n int64) uint64 { return uint64(n) / 2048 }, false},
	{"decimal megabytes", func(n int64) uint64 { return uint64(n) * 512 / 1_000_000 }, false},
	{"cylinders of 16 by 63", func(n int64) uint64 { return uint64(n) / 1008 }, false},
	{"cylinders of 255 by 63", func(n int64) uint64 { return uint64(n) / 16065 }, false},
	{"cylinders of 240 by 63", func(n int64) uint64 { return uint64(n) / 15120 }, false},
	{"sectors in whole cylinders of 16 by 63", func(n int64) uint64 { return uint64(n) / 1008 * 1008 }, false},
	{"clusters of 32", func(n int64) uint64 { return uint64(n) / 32 }, false},
	{"clusters of 64", func(n int64) uint64 { return uint64(n) / 64 }, false},
	{"sectors after the head", nil, true},
}

// form writes a number in its own way.
type form struct {
	text  string
	width func(v uint64) int
	put   func(b []byte, v uint64)
}

func fixed(n int) func(uint64) int { return func(uint64) int { return n } }

var forms = []form{
	{"little", func(v uint64) int { return (bits.Len64(v) + 15) / 16 * 2 }, func(b []byte, v uint64) {
		for i := range b {
			b[i] = byte(v >> (8 * i))
		}
	}},
	{"big", func(v uint64) int { return (bits.Len64(v) + 15) / 16 * 2 }, func(b []byte, v uint64) {
		for i := range b {
			b[len(b)-1-i] = byte(v >> (8 * i))
		}
	}},
	{"high word first, little bytes", fixed(4), func(b []byte, v uint64) {
		binary.LittleEndian.PutUint16(b, uint16(v>>16))
		binary.LittleEndian.PutUint16(b[2:], uint16(v))
	}},
	{"packed decimals", fixed(5), func(b []byte, v uint64) {
		for i := len(b) - 1; i >= 0; i-- {
			b[i] = byte(v%10 | v/10%10<<4)
			v /= 100
		}
	}},
	{"text", fixed(10), func(b []byte, v uint64) { copy(b, fmt.Sprintf("%010d", v)) }},
	{"text with blanks", fixed(10), func(b []byte, v uint64) { copy(b, fmt.Sprintf("%10d", v)) }},
	{"hexadecimal text", fixed(8), func(b []byte, v uint64) { copy(b, fmt.Sprintf("%08X", v)) }},
}

// check is a checksum of the header: over what lies before it, or over the
// whole sector without it.
type check struct {
	at, width int
	whole     bool
	of        func(b []byte) uint64
}

func checks(r *rand.Rand) *check {
	c := &check{whole: r.IntN(2) == 0}
	switch r.IntN(5) {
	case 0:
		c.width, c.of = 4, func(b []byte) uint64 { return uint64(crc32.ChecksumIEEE(b)) }
	case 1:
		c.width, c.of = 2, func(b []byte) (v uint64) {
			for i := 0; i+1 < len(b); i += 2 {
				v += uint64(b[i])<<8 | uint64(b[i+1])
			}
			return v & 0xFFFF
		}
	case 2:
		c.width, c.of = 4, func(b []byte) (v uint64) {
			for i := 0; i+3 < len(b); i += 4 {
				v += uint64(binary.LittleEndian.Uint32(b[i:]))
			}
			return -v & 0xFFFFFFFF
		}
	case 3:
		c.width, c.of = 1, func(b []byte) (v uint64) {
			for _, x := range b {
				v += uint64(x)
			}
			return v & 0xFF
		}
	default:
		c.width, c.of = 2, func(b []byte) uint64 { // CCITT, most significant bit first
			v := uint16(0xFFFF)
			for _, x := range b {
				v ^= uint16(x) << 8
				for range 8 {
					if v&0x8000 != 0 {
						v = v<<1 ^ 0x1021
					} else {
						v <<= 1
					}
				}
			}
			return uint64(v)
		}
	}
	c.at = 512 - c.width
	if !c.whole {
		c.at = 480
	}
	return c
}

func (c *check) renew(b []byte) {
	span := b[:c.at]
	for i := range c.width {
		b[c.at+i] = 0
	}
	if c.whole {
		span = b
	}
	v := c.of(span)
	for i := range c.width { // least significant byte first
		b[c.at+i] = byte(v >> (8 * i))
	}
}

// newBench invents a device, and the card that it finds: the head and tail of
// the old drive, with the copy of the header at the end.
func newBench(seed int64) *bench {
	r := rand.New(rand.NewPCG(uint64(seed), 77))
	b := &bench{
		invented: &invented{was: map[int64][]byte{}, is: map[int64][]byte{}, drive: driveSizes[r.IntN(len(driveSizes))]},
		r:        r, head: 16 + r.Int64N(48), tail: 8 + r.Int64N(8), header: r.Int64N(3),
		at: 32 + 4*r.IntN(40), option: 320 + r.IntN(60), write: forms[r.IntN(len(forms))], about: abouts[r.IntN(len(abouts))],
		back: r.IntN(2) == 0, swap: r.IntN(3) == 0,
	}
	b.cards = cardSizes[r.IntN(len(cardSizes))]
	if r.IntN(3) > 0 {
		b.cards += r.Int64N(40_000)
	}
	if b.about.less {
		b.about.of = func(n int64) uint64 { return uint64(n - b.head) }
	}
	if b.about.of(max(b.cards, b.drive)) >= 1<<32 { // bytes need room
		b.write = forms[r.IntN(2)]
	}
	if r.IntN(2) == 0 {
		b.sum = checks(r)
	}
	for x := range b.head {
		b.is[x] = b.code()
	}
	for i := range b.tail {
		b.is[b.cards-b.tail+i] = b.code()
	}
	for x := b.header + 1; x < b.header+4; x++ { // a journal, not used yet
		b.is[x] = make([]byte, 512)
	}
	b.is[b.header+8] = make([]byte, 512)
	b.number = &written{b.header, b.at, b.about.of(b.cards), b.about.text}
	b.setNumber(b.header, b.drive)
	b.copyTail()
	b.copyNear()
	return b
}

// code is a sector that looks like machine code with tables between.
func (b *bench) code() []byte {
	out := make([]byte, 512)
	for i := 0; i < len(out); {
		switch b.r.IntN(16) {
		case 0:
			i += b.r.IntN(16)
		case 1:
			i += copy(out[i:], []string{"BOOT", "ERR ", "LOAD", "1.07"}[b.r.IntN(4)])
		default:
			out[i] = byte(b.r.IntN(16) * b.r.IntN(17))
			i++
		}
	}
	return out
}

// setNumber writes the number for a disk of n sectors into a sector.
func (b *bench) setNumber(x, n int64) {
	w := max(b.write.width(b.about.of(b.drive)), b.write.width(b.about.of(b.cards)))
	clear(b.is[x][b.at : b.at+16])
	b.write.put(b.is[x][b.at:b.at+w], b.about.of(n))
	if b.sum != nil {
		b.sum.renew(b.is[x])
	}
}

// evidence is how many bits the change of the number is worth: what is right by
// chance too often can be no proof, whatever it is.
func (b *bench) evidence() (bits float64) {
	a, c := make([]byte, 16), make([]byte, 16)
	w := max(b.write.width(b.about.of(b.drive)), b.write.width(b.about.of(b.cards)))
	b.write.put(a[:w], b.about.of(b.drive))
	b.write.put(c[:w], b.about.of(b.cards))
	for i := range a {
		switch {
		case a[i] == c[i]:
		case b.write.text == "packed decimals":
			bits += 6.6
		case b.write.text == "hexadecimal text":
			bits += 4
		case w >= 10:
			bits += 3.3
		case c[i] < 16 || c[i] == 0xFF:
			bits += 4
		default:
			bits += 7.6
		}
	}
	return bits
}

// tailOf returns where the copy of a sector of the header lies.
func (b *bench) tailOf(i int64) int64 {
	if b.back {
		return b.cards - 1 - i
	}
	return b.cards - 4 + i
}

func (b *bench) copyTail() {
	for i := range int64(4) {
		c := slices.Clone(b.is[b.header+i])
		if b.swap {
			for k := 0; k < 512; k += 2 {
				c[k], c[k+1] = c[k+1], c[k]
			}
		}
		b.is[b.tailOf(i)] = c
	}
}

func (b *bench) copyNear() { b.is[b.header+8] = slices.Clone(b.is[b.header]) }

// found is called when the card is as the device found it.
func (b *bench) found() {
	for x, s := range b.is {
		b.was[x] = slices.Clone(s)
	}
}

func (b *bench) claim(words ...string) { b.did = append(b.did, words...) }

// disk makes a disk of sectors.
func (v *invented) disk(sectors map[int64][]byte) *imagetest.Disk {
	d := imagetest.New(disk.Sector(v.cards), 512)
	for x, s := range sectors {
		d.Put(disk.Sector(x), s)
	}
	return d
}
