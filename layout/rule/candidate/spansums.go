package candidate

import (
	"errors"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// spanPlaces are the bytes of the first sector of a span of sectors at which a
// field is looked for that the span holds, or that stands before it.
var spanPlaces = []int{0, 4, 8, 12, 16}

// span is a run of whole sectors and its bytes.
type span struct {
	disk.Span
	data   []byte
	usable bool
}

// spanSums looks for checksums of 32 bits over runs of whole sectors between
// borders: with the field at either end of the run, or anywhere near another
// border.
func (l *looker) spanSums() (out []Checksum, err error) {
	f := &spanFinder{l: l, about: map[string]Checksum{}}
	for _, x := range l.starts(spanStarts) {
		spans, err := l.spansFrom(x)
		if err != nil {
			return nil, err
		}
		for _, sum := range Sums {
			if err := l.ctx.Err(); err != nil {
				return nil, err
			}
			if sum.Width == 4 {
				f.grow(spans, sum)
			}
		}
	}
	for _, c := range f.beside {
		if by := float64(f.tests) * c.ByChance; by <= barSum/4 {
			c.ByChance = roundUp(by)
			out = append(out, c)
		}
	}
	return append(out, l.findApart(f.apart, f.about)...), nil
}

// spanFinder gathers what the sums of spans may be found as.
type spanFinder struct {
	l      *looker
	tests  int
	beside []Checksum // ByChance is the chance of the field alone
	apart  []pattern
	about  map[string]Checksum // of each pattern
}

// grow runs one algorithm over spans of one start, each longer than the one
// before it.
func (f *spanFinder) grow(spans []span, sum *Sum) {
	run, at := sum.Start(), 0
	for _, s := range spans {
		end := len(s.data)
		run.Add(s.data[at : end-4])
		f.try(s, sum, way{field: end - 4, count: end - 4}, run.Value())
		run.Add(s.data[end-4:])
		f.apartFrom(s, sum, run.Value())
		at = end
		if s.Count > 8 {
			continue // sums with the field in front cost one more run for each place
		}
		room := make([]byte, end)
		for _, p := range spanPlaces {
			copy(room, s.data)
			zero(room, int64(p), 4)
			f.try(s, sum, way{field: p, count: end, inside: true}, sum.Of(room))
			f.try(s, sum, way{field: p, from: p + 4, count: end - p - 4}, sum.Of(s.data[p+4:]))
		}
	}
}

// spansFrom reads the spans that begin at a sector, as far as they are known
// and lie in the same area.
func (l *looker) spansFrom(x disk.Sector) (out []span, err error) {
	area := l.areas[l.area(x)]
	lengths := l.spanLengths(x)
	most := disk.Sector(0)
	for _, n := range lengths {
		if x+n <= area.End() {
			most = n
		}
	}
	if most == 0 {
		return nil, nil
	}
	data, err := image.ReadSectors(l.src, disk.Span{Start: x, Count: most})
	var u *image.UnknownError
	if errors.As(err, &u) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	for _, n := range lengths {
		if n <= most {
			b := data[:int(n)*l.size]
			enough := len(out) > 0 && out[len(out)-1].usable || usable(b)
			out = append(out, span{disk.Span{Start: x, Count: n}, b, enough})
		}
	}
	return out, nil
}

// way is where in a span of sectors the field and its span lie, in bytes.
type way struct {
	field, from, count int
	inside             bool
}

// try compares the sum of a span with a field in its first or last sector.
func (f *spanFinder) try(s span, sum *Sum, w way, v uint64) {
	f.tests += 2
	if v == 0 || !s.usable {
		return
	}
	field := s.data[w.field : w.field+4]
	for _, e := range sumForms[4] {
		if have, _ := forms[e].Decode(field); have != v || !usable(s.data[w.from:w.from+w.count]) ||
			holdsWord(s.data, field, w.field) || inTable(s.data, w.field, forms[e]) {
			continue
		}
		sector := disk.Sector(w.field / f.l.size)
		f.beside = append(f.beside, Checksum{
			At: []Place{f.l.place(s.Start+sector, w.field%f.l.size)}, Encoding: e, Sum: sum.Name, First: -sector,
			Byte: w.from, Count: int64(w.count), Inside: w.inside, ByChance: f.l.stats.likely(field), size: f.l.size,
		})
	}
}

// apartFrom makes patterns of the sum of a span, to be looked for elsewhere.
func (f *spanFinder) apartFrom(s span, sum *Sum, v uint64) {
	if v == 0 || !s.usable {
		return
	}
	for i, e := range sumForms[4] {
		b := make([]byte, 4)
		if forms[e].Encode(b, v) != nil {
			continue
		}
		if _, known := f.about[string(b)]; known {
			continue
		}
		f.about[string(b)] = Checksum{Encoding: e, Sum: sum.Name, First: s.Start, Count: int64(len(s.data)), size: f.l.size}
		f.apart = append(f.apart, pattern{bytes: b, encoding: e, order: i, value: v, width: 4, every: 2})
	}
}

// findApart looks near the borders for the sums of spans that lie elsewhere.
func (l *looker) findApart(apart []pattern, about map[string]Checksum) (out []Checksum) {
	sums := pick(apart, &l.stats, int64(len(l.near))*int64(l.size), barSum/4)
	var found []hit
	for _, s := range l.near {
		found = sums.search(s.at, s.data, found)
	}
	for _, h := range found {
		c := about[string(h.p.bytes)]
		over := disk.Span{Start: c.First, Count: disk.Sector(c.Count / int64(l.size))}
		p := l.place(h.sector, h.byte)
		if over.Holds(h.sector) || l.place(over.Start, 0).From != p.From {
			continue // inside it would change the sum; across the disk it would not move with it
		}
		c.At, c.First, c.ByChance = []Place{p}, over.Start-h.sector, roundUp(h.p.by)
		out = append(out, c)
	}
	return out
}
