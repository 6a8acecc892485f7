package fleet

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"slices"

	"bootgraft/image/disk"
)

// writer writes a number of at most most.
type writer struct {
	name  string
	width int
	most  int64
	write func(b []byte, v int64)
}

var writers = []writer{
	{"be32", 4, 1<<32 - 1, func(b []byte, v int64) { binary.BigEndian.PutUint32(b, uint32(v)) }},
	{"le32", 4, 1<<32 - 1, func(b []byte, v int64) { binary.LittleEndian.PutUint32(b, uint32(v)) }},
	{"be32", 4, 1<<32 - 1, func(b []byte, v int64) { binary.BigEndian.PutUint32(b, uint32(v)) }},
	{"le32", 4, 1<<32 - 1, func(b []byte, v int64) { binary.LittleEndian.PutUint32(b, uint32(v)) }},
	{"high word first", 4, 1<<32 - 1, func(b []byte, v int64) {
		binary.LittleEndian.PutUint16(b, uint16(v>>16))
		binary.LittleEndian.PutUint16(b[2:], uint16(v))
	}},
	{"le64", 8, 1 << 62, func(b []byte, v int64) { binary.LittleEndian.PutUint64(b, uint64(v)) }},
	{"text of 10", 10, 9_999_999_999, func(b []byte, v int64) { copy(b, fmt.Sprintf("%010d", v)) }},
	{"text of 9, blanks", 9, 999_999_999, func(b []byte, v int64) { copy(b, fmt.Sprintf("%9d", v)) }},
	{"packed decimals", 5, 9_999_999_999, func(b []byte, v int64) {
		for i := range 5 {
			b[4-i] = byte(v/10%10<<4 | v%10)
			v /= 100
		}
	}},
}

// most is the largest disk of all.
const most = 260_000_000

// Random draws the model of a seed: of six, three count sectors and round at most
// once, two cut to cylinders first, and one is beyond reach.
func Random(seed int64) *Model {
	r := rand.New(rand.NewPCG(uint64(seed), 0xF1EE7))
	m := &Model{Seed: seed, head: 12 + r.IntN(20), tail: 10, serial: []string{"random", "text", "none"}[r.IntN(3)],
		clock: r.IntN(2) == 0, songs: r.IntN(2) == 0, count: func(n int64) int64 { return n }}
	switch seed % 6 {
	case 0, 1, 2:
		m.Reach = Plain
	case 3, 4:
		m.Reach = Nested
		m.Cut = cutsDrawn[r.IntN(11)]
		m.count = func(n int64) int64 { return n / m.Cut * m.Cut }
	default:
		m.Reach = Beyond
	}
	for i := range 2 + r.IntN(4) {
		m.add(r, m.draw(r), i)
	}
	m.drawn = len(m.numbers)
	if r.IntN(4) == 0 {
		m.relation(r)
	}
	if m.Reach == Beyond {
		m.strange(r)
	}
	for _, s := range []int{0, 1} {
		if r.IntN(2) == 0 {
			k := []sum{
				{s, 508, 4, "CRC-32", false}, {s, 508, 4, "CRC-32", true}, {s, 510, 2, "sum of words", true},
				{s, 510, 2, "sum of bytes", false}, {s, 508, 4, "sum of long words", true},
			}
			m.sums = append(m.sums, k[r.IntN(len(k))])
		}
	}
	if r.IntN(2) == 0 {
		m.mirror(r)
	}
	if r.IntN(3) == 0 {
		m.firm = 4
	}
	return m
}

// Less draws a model that counts sectors and leaves a fixed number of them at the end
// alone, as if its disk were smaller.
func Less(seed int64) *Model {
	m := Random(6 * seed)
	parts := []int64{16, 63, 256, 1008, 1024}
	part := parts[seed%int64(len(parts))]
	m.Reach, m.Away = LessAPart, disk.Sector(part)
	m.count = func(n int64) int64 { return n - part }
	return m
}

type drawn struct {
	what string
	of   func(s, n int64) int64
}

// What the amounts of a number are drawn from, each as likely as the next.
var (
	unitsDrawn = []int64{8, 16, 18, 24, 32, 64, 128, 256}
	cutsDrawn  = []int64{63, 504, 945, 1008, 1008, 1008, 16065, 16065, 15120, 8064, 4032}
)

func areasDrawn(head int) []int64 { return []int64{0, 0, int64(head), 64, 1284} }

// cylindersDrawn are those that a model shows which cuts to cut, 0 for none.
func cylindersDrawn(cut int64) []int64 {
	if cut > 0 {
		return []int64{cut, cut, cut}
	}
	return []int64{1008, 16065, 63}
}

// draw draws what a number says.
func (m *Model) draw(r *rand.Rand) drawn {
	unit, area := unitsDrawn[r.IntN(8)], areasDrawn(m.head)[r.IntN(5)]
	all := saying(unit, area, cylindersDrawn(m.Cut)[r.IntN(3)])
	return all[r.IntN(len(all))]
}

// saying lists what a number may say, each as likely as the next.
func saying(unit, area, cyl int64) []drawn {
	return []drawn{
		{"sectors", func(s, _ int64) int64 { return s }},
		{"sectors", func(s, _ int64) int64 { return s }},
		{"last sector", func(s, _ int64) int64 { return s - 1 }},
		{"bytes", func(s, _ int64) int64 { return s * size }},
		{"KiB", func(s, _ int64) int64 { return s / 2 }},
		{"MiB", func(s, _ int64) int64 { return s / 2048 }},
		{"MB", func(s, _ int64) int64 { return s * size / 1e6 }},
		{fmt.Sprintf("units of %d without %d", unit, area), func(s, _ int64) int64 { return (s - area) / unit }},
		{fmt.Sprintf("units of %d", unit), func(s, _ int64) int64 { return s / unit }},
		{fmt.Sprintf("units of %d and two", unit), func(s, _ int64) int64 { return s/unit + 2 }},
		{fmt.Sprintf("begun units of %d", unit), func(s, _ int64) int64 { return (s + unit - 1) / unit }},
		{fmt.Sprintf("cylinders of %d", cyl), func(s, _ int64) int64 { return s / cyl }},
		{fmt.Sprintf("sectors without %d", area+10), func(s, _ int64) int64 { return s - area - 10 }},
		{fmt.Sprintf("sectors in whole units of %d", unit), func(s, _ int64) int64 { return s / unit * unit }},
	}
}

// add puts a number at the i-th place.
func (m *Model) add(r *rand.Rand, d drawn, i int) {
	fits := writersFor(d)
	m.numbers = append(m.numbers, number{i % 2, 64 + 16*i + 2*r.IntN(3), d.what, d.of, fits[r.IntN(len(fits))]})
}

// writersFor are those that can write what a number says, of any disk.
func writersFor(d drawn) []writer {
	return slices.DeleteFunc(slices.Clone(writers), func(w writer) bool { return d.of(most, most) > w.most })
}

// relation adds numbers that follow from one another.
func (m *Model) relation(r *rand.Rand) {
	unit := []int64{32, 64}[r.IntN(2)]
	clusters := func(s, _ int64) int64 { return (s - 600) / unit }
	bitmap := func(s, n int64) int64 { return (clusters(s, n) + 4095) / 4096 }
	le := writers[1]
	put := func(at int, what string, of func(s, n int64) int64) {
		m.numbers = append(m.numbers, number{1, at, what, of, le})
	}
	put(180, "clusters", clusters)
	switch r.IntN(3) {
	case 0:
		put(184, "sectors of the map", bitmap)
		put(188, "start of the data", func(s, n int64) int64 { return 40 + bitmap(s, n) })
	case 1:
		put(184, "bytes of all clusters", func(s, n int64) int64 { return clusters(s, n) * unit })
	case 2:
		put(184, "length", func(s, _ int64) int64 { return s - 600 })
		put(188, "next", func(s, _ int64) int64 { return s })
	}
}

// strange makes the model one that nobody can know from a few disks.
func (m *Model) strange(r *rand.Rand) {
	be := writers[0]
	put := func(what string, of func(s, n int64) int64) {
		m.numbers = append(m.numbers, number{0, 200, what, of, be})
	}
	key := int64(r.Uint32() & 0xFFFFFF)
	switch r.IntN(4) {
	case 0:
		m.count = func(n int64) int64 { return min(n, 66_060_288) }
	case 1:
		m.count = func(n int64) int64 {
			if n > 1<<28 {
				return n % (1 << 28)
			}
			return n
		}
	case 2:
		cluster := func(s, _ int64) int64 {
			c := int64(8)
			for s/c > 1_000_000 {
				c *= 2
			}
			return c
		}
		put("clusters that double", func(s, n int64) int64 { return s / cluster(s, n) })
		one := writer{"1 byte", 1, 255, func(b []byte, v int64) { b[0] = byte(v) }}
		m.numbers = append(m.numbers, number{0, 210, "sectors of a cluster", cluster, one})
	case 3:
		put("sectors and a key", func(s, _ int64) int64 { return s ^ key })
	}
}

// mirror keeps sectors of the head at the end.
func (m *Model) mirror(r *rand.Rand) {
	count, back, numbered := 1+r.IntN(3), r.IntN(2) == 0, r.IntN(2) == 0
	for i := range count {
		c := copied{of: i, end: count - i}
		if back {
			c.end = i + 1
		}
		if numbered {
			c.number = 1
		}
		m.copies = append(m.copies, c)
	}
}

func (m *Model) sum(b []byte, x sum) {
	clear(b[x.at : x.at+x.width])
	span := b[:x.at]
	v := uint32(0)
	switch x.what {
	case "CRC-32":
		v = crc32.ChecksumIEEE(span)
	case "sum of bytes":
		for _, c := range span {
			v += uint32(c)
		}
	case "sum of words":
		for i := 0; i < len(span); i += 2 {
			v += uint32(span[i])<<8 | uint32(span[i+1])
		}
	case "sum of long words":
		for i := 0; i < len(span); i += 4 {
			v += binary.BigEndian.Uint32(span[i:])
		}
	}
	for i := range x.width {
		if x.big {
			b[x.at+i] = byte(v >> (8 * (x.width - 1 - i)))
		} else {
			b[x.at+i] = byte(v >> (8 * i))
		}
	}
}

// Sets are the kinds of originals that a collector has.
const Sets = 5

// Originals draws the sizes of two to five originals: whole cylinders of 16 or of
// 255 heads, a mixture, one flash card among them, two of one size.
func Originals(r *rand.Rand, kind int) (out []disk.Sector) {
	k := 2 + r.IntN(4)
	if kind == 4 {
		k = max(k, 3)
	}
	for len(out) < k {
		n := cylinders16(r)
		if kind == 1 || kind == 2 && r.IntN(2) == 0 {
			n = 16065 * (1 + (n-1)/16065)
		}
		if kind == 2 && r.IntN(3) == 0 {
			n = 945 * (n / 945)
		}
		if kind == 3 && len(out) == 0 {
			n = flash(r)
		}
		if !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	if kind == 4 {
		out[k-1] = out[0]
	}
	return out
}

// cylinders16 draws the size of a drive: whole cylinders of 16 heads.
func cylinders16(r *rand.Rand) disk.Sector {
	known := []disk.Sector{
		2_116_800, 3_173_184, 4_124_736, 6_346_368, 8_418_816, 12_594_960, 16_514_064, 19_640_880, 25_429_824,
		39_070_080, 40_020_624, 58_605_120, 60_036_480, 78_140_160, 117_210_240,
	}
	if r.IntN(2) == 0 {
		return known[r.IntN(12)]
	}
	return 1008 * disk.Sector(2000+r.IntN(38_000))
}

// flash draws the size of a card.
func flash(r *rand.Rand) disk.Sector {
	known := []disk.Sector{
		1_984_000, 3_970_048, 7_774_208, 7_864_320, 15_523_840, 15_564_800, 15_759_360, 30_535_680, 31_116_288, 31_266_816,
		31_293_440, 61_069_312, 62_333_952, 62_521_344, 124_735_488, 125_042_688,
	}
	if r.IntN(4) > 0 {
		return known[r.IntN(len(known))]
	}
	return disk.Sector(512 * (4000 + r.IntN(120_000)))
}

// Card draws the size of a card at hand that no original has.
func Card(r *rand.Rand, originals []disk.Sector) disk.Sector {
	for {
		if n := flash(r); !slices.Contains(originals, n) {
			return n
		}
	}
}
