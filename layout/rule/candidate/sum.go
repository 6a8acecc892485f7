package candidate

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/bits"
	"sync"
)

// Sum is a checksum algorithm. Its bytes are fed in order; words of algorithms
// that add words are counted from the start of the span, and a last incomplete
// word does not count.
type Sum struct {
	Name  string // sum8, sum16-le, crc32-ieee, ...; with a suffix -neg or -not
	Width int    // bytes of the result: 1, 2 or 4
	Words int    // bytes of the words that are added or xored; 0 if their order matters
	Base  *Sum   // From makes the result of that of the base, which may be the sum itself
	made  change
	start func() Running
}

// change is how a result is made of that of the base, and the other way round.
type change int

const (
	same change = iota
	negated
	flipped // in every bit
)

// Running is a checksum being computed.
type Running interface {
	Add(p []byte)
	Value() uint64
}

// kin is a sum that runs as its base does.
type kin struct {
	Running
	sum *Sum
}

func (k kin) Value() uint64 { return k.sum.From(k.Running.Value()) }

// kin returns another sum that is made of this one.
func (s *Sum) kin(name string, made change) *Sum {
	return &Sum{Name: name, Width: s.Width, Words: s.Words, Base: s, made: made}
}

// Start returns the algorithm in its first state.
func (s *Sum) Start() Running { return kin{s.Base.start(), s} }

// Of returns the checksum of b.
func (s *Sum) Of(b []byte) uint64 {
	r := s.Start()
	r.Add(b)
	return r.Value()
}

// From makes a checksum of that of the base over the same bytes. Who looks for several
// runs the bases alone.
func (s *Sum) From(v uint64) uint64 {
	switch s.made {
	case negated:
		v = -v
	case flipped:
		v = ^v
	}
	return v & (1<<(8*s.Width) - 1)
}

// Sums lists every algorithm, simple ones first, each base with its kin behind it. A
// -neg sum is what makes the whole add up to zero, a -not sum its complement in every
// bit.
var Sums = allSums()

var sumsByName = func() map[string]*Sum {
	out := map[string]*Sum{}
	for _, s := range Sums {
		out[s.Name] = s
	}
	return out
}()

// SumOf returns the algorithm of that name, or an error if there is none.
func SumOf(name string) (*Sum, error) {
	if s, ok := sumsByName[name]; ok {
		return s, nil
	}
	return nil, fmt.Errorf("no checksum is called %q", name)
}

func allSums() []*Sum {
	var out []*Sum
	add := func(name string, width, words int, start func() Running) *Sum {
		s := &Sum{Name: name, Width: width, Words: words, start: start}
		s.Base = s
		out = append(out, s)
		return s
	}
	words := func(name string, width, unit int, big, xor bool) {
		s := add(name, width, unit, func() Running { return &adder{unit: unit, big: big, xor: xor} })
		if !xor {
			out = append(out, s.kin(name+"-neg", negated))
		}
		out = append(out, s.kin(name+"-not", flipped))
	}
	words("sum8", 1, 1, false, false)
	words("xor8", 1, 1, false, true)
	words("sum8-in16", 2, 1, false, false)
	words("sum16-le", 2, 2, false, false)
	words("sum16-be", 2, 2, true, false)
	words("xor16-le", 2, 2, false, true)
	words("xor16-be", 2, 2, true, true)
	words("sum8-in32", 4, 1, false, false)
	words("sum16-le-in32", 4, 2, false, false)
	words("sum16-be-in32", 4, 2, true, false)
	words("sum32-le", 4, 4, false, false)
	words("sum32-be", 4, 4, true, false)
	words("xor32-le", 4, 4, false, true)
	words("xor32-be", 4, 4, true, true)
	add("fletcher16", 2, 0, func() Running { return &fletcher{mod: 255, shift: 8} })
	add("adler32", 4, 0, func() Running { return &fletcher{mod: 65521, shift: 16, a: 1} })
	add("fletcher32-le", 4, 0, func() Running { return &fletcher{mod: 65535, shift: 16, words: true} })
	for _, c := range crcs {
		tables := sync.OnceValue(c.slices) // few of them are asked for in most runs
		s := add(c.name, c.width/8, 0, func() Running { return &crcRun{c: c, tables: tables(), v: c.init} })
		if c.flipped != "" {
			out = append(out, s.kin(c.flipped, flipped))
		}
	}
	return out
}

// adder adds or xors bytes or words.
type adder struct {
	unit     int
	big, xor bool
	acc      uint32
	part     [4]byte // of a word that is not whole yet
	have     int     // bytes of it
}

func (a *adder) Add(p []byte) {
	for a.have > 0 && len(p) > 0 { // the rest of a word that was begun
		a.begin(p[:1])
		p = p[1:]
	}
	n := len(p) - len(p)%a.unit
	a.acc = a.whole(p[:n])
	a.begin(p[n:])
}

// whole adds whole words; a loop for each kind, for this is where the time goes.
func (a *adder) whole(p []byte) uint32 {
	acc := a.acc
	switch {
	case a.unit == 1 && a.xor:
		for _, c := range p {
			acc ^= uint32(c)
		}
	case a.unit == 1:
		for _, c := range p {
			acc += uint32(c)
		}
	case a.unit == 2:
		hi, lo := uint32(0), uint32(0) // of the words as bytes, the first byte high
		if a.xor {
			for ; len(p) >= 2; p = p[2:] {
				hi, lo = hi^uint32(p[0]), lo^uint32(p[1])
			}
		} else {
			for ; len(p) >= 2; p = p[2:] {
				hi, lo = hi+uint32(p[0]), lo+uint32(p[1])
			}
		}
		if !a.big {
			hi, lo = lo, hi
		}
		if a.xor {
			return acc ^ (hi<<8 | lo)
		}
		return acc + hi<<8 + lo
	case a.xor && a.big:
		for ; len(p) >= 4; p = p[4:] {
			acc ^= binary.BigEndian.Uint32(p)
		}
	case a.xor:
		for ; len(p) >= 4; p = p[4:] {
			acc ^= binary.LittleEndian.Uint32(p)
		}
	case a.big:
		for ; len(p) >= 4; p = p[4:] {
			acc += binary.BigEndian.Uint32(p)
		}
	default:
		for ; len(p) >= 4; p = p[4:] {
			acc += binary.LittleEndian.Uint32(p)
		}
	}
	return acc
}

// begin holds bytes of a word that is not whole yet, and adds it when it is.
func (a *adder) begin(p []byte) {
	a.have += copy(a.part[a.have:a.unit], p)
	if a.have == a.unit {
		a.have = 0
		a.Add(a.part[:a.unit])
	}
}

func (a *adder) Value() uint64 { return uint64(a.acc) }

// fletcher is Fletcher's checksum and its kin, Adler-32 among them
// (RFC 1950, section 8.2).
type fletcher struct {
	mod, shift uint32
	words      bool
	a, b       uint32
	low        int // first byte of a word, plus one
}

func (f *fletcher) Add(p []byte) {
	if f.words && f.low > 0 && len(p) > 0 { // the rest of a word that was begun
		f.add(uint32(f.low-1) | uint32(p[0])<<8)
		p, f.low = p[1:], 0
	}
	const most = 4096 // bytes: sums of so many stay far below 64 bits
	for len(p) > 0 {
		part := p[:min(len(p), most)]
		p = p[len(part):]
		a, b := uint64(f.a), uint64(f.b)
		if f.words {
			for ; len(part) >= 2; part = part[2:] {
				a += uint64(part[0]) | uint64(part[1])<<8
				b += a
			}
			if len(part) > 0 {
				f.low = int(part[0]) + 1
			}
		} else {
			for _, c := range part {
				a += uint64(c)
				b += a
			}
		}
		f.a, f.b = uint32(a%uint64(f.mod)), uint32(b%uint64(f.mod))
	}
}

func (f *fletcher) add(v uint32) {
	f.a = (f.a + v) % f.mod
	f.b = (f.b + f.a) % f.mod
}

func (f *fletcher) Value() uint64 { return uint64(f.b)<<f.shift | uint64(f.a) }

// crc is a cyclic redundancy check in the usual description: polynomial
// without its highest term, first value, reflected or not, final xor.
type crc struct {
	name    string
	flipped string // the name of the same with another final xor, if it has one
	width   int    // bits
	poly    uint32
	init    uint32 // as held in the register: reflected if reflect
	reflect bool
	xor     uint32
	quick   *crc32.Table // for long runs, where the standard library has it
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

var crcs = []*crc{
	{"crc32-ieee", "crc32-ieee-raw", 32, 0x04C11DB7, 0xFFFFFFFF, true, 0xFFFFFFFF, crc32.IEEETable},
	{"crc32-ieee-zero", "", 32, 0x04C11DB7, 0, true, 0, crc32.IEEETable},
	{"crc32-msb", "crc32-msb-raw", 32, 0x04C11DB7, 0xFFFFFFFF, false, 0xFFFFFFFF, nil},
	{"crc32-msb-zero", "", 32, 0x04C11DB7, 0, false, 0, nil},
	{"crc32c", "", 32, 0x1EDC6F41, 0xFFFFFFFF, true, 0xFFFFFFFF, castagnoli},
	{"crc16-ccitt-zero", "", 16, 0x1021, 0, false, 0, nil},
	{"crc16-ccitt-ffff", "crc16-ccitt-not", 16, 0x1021, 0xFFFF, false, 0, nil},
	{"crc16-ccitt-reflected", "", 16, 0x1021, 0, true, 0, nil},
	{"crc16-x25", "", 16, 0x1021, 0xFFFF, true, 0xFFFF, nil},
	{"crc16-arc", "", 16, 0x8005, 0, true, 0, nil},
	{"crc16-modbus", "crc16-usb", 16, 0x8005, 0xFFFF, true, 0, nil},
	{"crc16-8005-msb", "", 16, 0x8005, 0, false, 0, nil},
}

// slices makes the tables. A register that is not reflected stands at the top of 32
// bits.
func (c *crc) slices() *crcTables {
	var t crcTables
	poly := c.poly << (32 - c.width)
	if c.reflect {
		poly = bits.Reverse32(poly)
	}
	for i := range t[0] {
		v := uint32(i)
		if !c.reflect {
			v <<= 24
		}
		for range 8 {
			switch {
			case c.reflect:
				v = v>>1 ^ poly*(v&1)
			case v>>31 != 0:
				v = v<<1 ^ poly
			default:
				v <<= 1
			}
		}
		t[0][i] = v
	}
	for i := range t[0] {
		v := t[0][i]
		for k := 1; k < len(t); k++ {
			if c.reflect {
				v = v>>8 ^ t[0][byte(v)]
			} else {
				v = v<<8 ^ t[0][byte(v>>24)]
			}
			t[k][i] = v
		}
	}
	return &t
}

// crcTables says what four bytes make of the register: of each as if so many bytes
// of zeros came after it ("slicing by four": Kounavis and Berry, 2005, from memory).
type crcTables [4][256]uint32

type crcRun struct {
	c      *crc
	tables *crcTables
	v      uint32
}

func (r *crcRun) Add(p []byte) {
	if r.c.quick != nil && len(p) >= 16 {
		r.v = ^crc32.Update(^r.v, r.c.quick, p)
		return
	}
	v, t := r.v, r.tables
	if r.c.reflect {
		for ; len(p) >= 4; p = p[4:] {
			v ^= binary.LittleEndian.Uint32(p)
			v = t[3][byte(v)] ^ t[2][byte(v>>8)] ^ t[1][byte(v>>16)] ^ t[0][byte(v>>24)]
		}
		for _, b := range p {
			v = v>>8 ^ t[0][byte(v)^b]
		}
		r.v = v
		return
	}
	v <<= 32 - r.c.width // the register at the top of 32 bits, as the tables have it
	for ; len(p) >= 4; p = p[4:] {
		v ^= binary.BigEndian.Uint32(p)
		v = t[3][byte(v>>24)] ^ t[2][byte(v>>16)] ^ t[1][byte(v>>8)] ^ t[0][byte(v)]
	}
	for _, b := range p {
		v = v<<8 ^ t[0][byte(v>>24)^b]
	}
	r.v = v >> (32 - r.c.width)
}

func (r *crcRun) Value() uint64 { return uint64(r.v ^ r.c.xor) }
