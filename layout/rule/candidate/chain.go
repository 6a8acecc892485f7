package candidate

import (
	"cmp"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Chain is a list of records, each with a start and beside it a length, in
// which the start and the length of one add up to the start of the next.
type Chain struct {
	At       Place // start of the first record
	Encoding Encoding
	Stride   int // bytes from one record to the next
	Records  int
	First    disk.Sector // its first start
	End      disk.Sector // start and length of the last
	Total    *Place      // a field that holds End-First
	Base     *Place      // a field that the starts are counted from
	FromEnd  disk.Sector // how far before the end of the disk it ends; -1: no reason to count from there
	ByChance float64
}

// Text describes the chain in one line.
func (c *Chain) Text() string {
	text := fmt.Sprintf("%d records of %d bytes at %s (%s): start and length of each give the start of the next, %d to %d",
		c.Records, c.Stride, c.At, c.Encoding, c.First, c.End)
	if c.Total != nil {
		text += fmt.Sprintf("; their sum stands at %s", c.Total)
	}
	if c.Base != nil {
		text += fmt.Sprintf("; counted from the sector named at %s", c.Base)
	}
	if c.FromEnd == 0 {
		text += "; the last one ends with the disk"
	} else if c.FromEnd > 0 {
		text += fmt.Sprintf("; the last one ends where the tail starts, %d sectors before the end", c.FromEnd)
	}
	return text
}

// chainForms are the encodings of starts and lengths, chainStrides the sizes
// of records beyond the two numbers themselves, in bytes.
var (
	chainForms  = []Encoding{"le32", "be32", "be32-swap16", "le32-swap16", "le64", "be64"}
	chainBeyond = []int{0, 4, 8, 12, 16, 24, 32, 48}
)

// chains looks for chains near the borders.
func (l *looker) chains() {
	var found []Chain
	tests := float64(len(l.near)) * float64(l.size/2) * float64(len(chainForms)*len(chainBeyond))
	for _, s := range l.near {
		for _, e := range chainForms {
			f := forms[e]
			values := make([]uint64, l.size/2)
			for i := range values {
				if 2*i+f.Width <= l.size {
					values[i], _ = f.Decode(s.data[2*i:])
				}
			}
			for _, more := range chainBeyond {
				found = append(found, l.chainsIn(s, f, values, 2*f.Width+more, tests)...)
			}
		}
	}
	slices.SortStableFunc(found, func(a, b Chain) int { return cmp.Compare(b.Records, a.Records) })
	for _, c := range found {
		if !slices.ContainsFunc(l.out.Chains, c.overlaps) {
			l.out.Chains = append(l.out.Chains, c)
		}
	}
	l.out.Chains = shorten(l.out.Chains, maxChains, &l.out.Left)
}

func (c *Chain) bytes() (from, to int) { return c.At.Byte, c.At.Byte + c.Records*c.Stride }

func (c Chain) overlaps(o Chain) bool {
	a, b := c.bytes()
	x, y := o.bytes()
	return c.At.From == o.At.From && c.At.Sector == o.At.Sector && a < y && x < b
}

// chainsIn follows the chains of one encoding and one size of record.
func (l *looker) chainsIn(s nearSector, f *Form, v []uint64, stride int, tests float64) (out []Chain) {
	limit := uint64(l.n)
	good := func(at int) bool {
		if at+2*f.Width > l.size {
			return false
		}
		start, length := v[at/2], v[(at+f.Width)/2]
		return length > 0 && start <= limit && length <= limit && start+length <= limit
	}
	for at := 0; at+stride+2*f.Width <= l.size; at += 2 {
		by, k, longest := tests, at, uint64(0)
		for good(k) && k+stride+f.Width <= l.size && v[(k+stride)/2] == v[k/2]+v[(k+f.Width)/2] && good(k+stride) {
			longest = max(longest, v[(k+f.Width)/2])
			k += stride
			by *= l.stats.likely(s.data[k : k+f.Width])
		}
		if k == at || by > barChain || longest < 2 {
			continue
		}
		end := disk.Sector(v[k/2] + v[(k+f.Width)/2])
		c := Chain{
			At: l.place(s.at, at), Encoding: f.Encoding, Stride: stride, Records: (k-at)/stride + 1,
			First: disk.Sector(v[at/2]), End: end, FromEnd: -1, ByChance: roundUp(by),
		}
		l.around(&c, s, f, v)
		out = append(out, c)
		at = k
	}
	return out
}

// around looks in front of a chain for a pair that gives its base and its
// total, and at where it ends.
func (l *looker) around(c *Chain, s nearSector, f *Form, v []uint64) {
	base := disk.Sector(0)
	for at := max(0, c.At.Byte-64) &^ 1; at+2*f.Width <= c.At.Byte; at += 2 {
		start, length := v[at/2], v[(at+f.Width)/2]
		if disk.Sector(length) != c.End-c.First || start > uint64(l.n) {
			continue
		}
		total := l.place(s.at, at+f.Width)
		c.Total = &total
		if c.First == 0 && start > 0 && start+length <= uint64(l.n) {
			from := l.place(s.at, at)
			c.Base, base = &from, disk.Sector(start)
		}
	}
	end := base + c.End
	for _, a := range l.areas {
		if end == l.n || a.From == layout.FromEnd && end == a.Start {
			c.FromEnd = l.n - end
		}
	}
}

// Holds tells whether the chain is one on a source too.
func (c *Chain) Holds(src image.Source) (bool, error) {
	n := image.Sectors(src)
	f, err := FormOf(c.Encoding)
	if err != nil {
		return false, err
	}
	b, err := sectorAt(src, c.At)
	if b == nil || err != nil {
		return false, err
	}
	number := func(at int) (disk.Sector, bool) {
		if at < 0 || at+f.Width > len(b) {
			return 0, false
		}
		v, ok := f.Decode(b[at:])
		return disk.Sector(v), ok && v <= uint64(n)
	}
	first, ok := number(c.At.Byte)
	end := first
	for k := range c.Records {
		start, ok1 := number(c.At.Byte + k*c.Stride)
		length, ok2 := number(c.At.Byte + k*c.Stride + f.Width)
		if !ok || !ok1 || !ok2 || start != end || length > n {
			return false, nil
		}
		end += length
	}
	total, base := end-first, disk.Sector(0)
	if c.Total != nil {
		if v, ok := number(c.Total.Byte); !ok || v != total {
			return false, nil
		}
	}
	if c.Base != nil {
		if base, ok = number(c.Base.Byte); !ok {
			return false, nil
		}
	}
	return c.FromEnd < 0 || base+end == n-c.FromEnd, nil
}
