package candidate

import (
	"cmp"
	"math"
	"slices"

	"bootgraft/image/disk"
)

// sumSectors is in how many sectors, at either end of those near a border, a
// checksum of the sector itself is looked for.
const sumSectors = 64

// sumWay is a field and a span in one sector, the same for all sectors.
type sumWay struct {
	sum      int // index into Sums
	encoding Encoding
	at       int // byte of the field
	from     int // first byte of the span
	count    int
	inside   bool
}

// sumHits are the sectors in which a way is true.
type sumHits struct {
	sumWay
	sectors []int // indexes into near
	values  map[uint64]bool
	log     float64 // of the chance of every different value at its place
}

// usable tells whether a span holds enough for a checksum to mean something.
func usable(b []byte) bool {
	changes, used := 0, 0
	for i := 1; i < len(b); i++ {
		if b[i] != b[i-1] {
			changes++
		}
		if b[i] != 0 {
			used++
		}
		if changes >= minChanges && used >= 16 {
			return true
		}
	}
	return false
}

// checksums looks for fields that hold a checksum of their sector, then for
// such as hold one of a run of sectors.
func (l *looker) checksums() error {
	found := l.sectorSums()
	more, err := l.spanSums()
	if err != nil {
		return err
	}
	found = append(found, more...)
	slices.SortStableFunc(found, func(a, b Checksum) int { return cmp.Compare(a.ByChance, b.ByChance) })
	taken := map[Place]bool{}
	for _, c := range found {
		bytes := func(p Place) (out []Place) {
			for range forms[c.Encoding].Width {
				out = append(out, p)
				p.Byte++
			}
			return out
		}
		c.At = slices.DeleteFunc(c.At, func(p Place) bool {
			return slices.ContainsFunc(bytes(p), func(b Place) bool { return taken[b] })
		})
		for _, p := range c.At {
			for _, b := range bytes(p) {
				taken[b] = true
			}
		}
		if len(c.At) > 0 {
			l.out.Checksums = append(l.out.Checksums, c)
		}
	}
	l.out.Checksums = shorten(l.out.Checksums, maxChecksums, &l.out.Left)
	return l.ctx.Err()
}

// sectorSums tries every algorithm over the spans of one sector.
func (l *looker) sectorSums() (out []Checksum) {
	hits := map[sumWay]*sumHits{}
	sectors, tried := 0, map[uint64]bool{}
	for i, s := range l.near {
		if i >= sumSectors && i < len(l.near)-sumSectors || !usable(s.data) || l.ctx.Err() != nil {
			continue
		}
		if h := l.sheetAt(s.at).hash[0]; tried[h] {
			continue // a copy says nothing new
		} else {
			tried[h] = true
		}
		sectors++
		for _, s := range Sums {
			if s.Base == s {
				l.sumsOf(hits, i, s)
			}
		}
	}
	ruled(hits)
	for _, h := range hits {
		algorithms := 0
		for _, s := range Sums {
			if s.Width == Sums[h.sum].Width {
				algorithms++
			}
		}
		choices := float64(algorithms * 2 * (l.size/2 + 2*len(sumPlaces(l.size))))
		by := choices * math.Exp(h.log+logChoose(sectors, len(h.values)))
		if by > barSum/2 {
			continue
		}
		c := Checksum{Encoding: h.encoding, Sum: Sums[h.sum].Name, Byte: h.from, Count: int64(h.count), Inside: h.inside,
			ByChance: roundUp(by), size: l.size}
		for _, i := range h.sectors {
			c.At = append(c.At, l.place(l.near[i].at, h.at))
		}
		out = append(out, c)
	}
	slices.SortFunc(out, func(a, b Checksum) int { // a map has no order
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.At[0].Sector, b.At[0].Sector),
			cmp.Compare(a.At[0].Byte, b.At[0].Byte), cmp.Compare(a.Sum, b.Sum), cmp.Compare(a.Encoding, b.Encoding))
	})
	return out
}

// logChoose returns the logarithm of the number of ways to take k of n.
func logChoose(n, k int) float64 {
	lg := func(x int) float64 { v, _ := math.Lgamma(float64(x + 1)); return v }
	return lg(n) - lg(k) - lg(n-k)
}

// sumPlaces are the bytes of a sector at which a checksum of the whole sector,
// or of what follows it, is looked for.
func sumPlaces(size int) []int {
	return []int{0, 2, 4, 6, 8, 12, 16, 20, 24, 28, 32, size - 16, size - 12, size - 8, size - 6, size - 4, size - 2,
		size - 1}
}

// sumsOf runs one base over one sector, for all its kin: up to each even byte, and over
// the whole sector without the field, and over what follows the field.
func (l *looker) sumsOf(hits map[sumWay]*sumHits, i int, s *Sum) {
	b := l.near[i].data
	note := func(w sumWay, v uint64) {
		for k := slices.Index(Sums, s); k < len(Sums) && Sums[k].Base == s; k++ {
			w.sum = k
			l.sumHit(hits, i, w, Sums[k].From(v))
		}
	}
	run := s.Start()
	for at := 0; at+s.Width <= l.size; at += 2 {
		if at >= 16 {
			note(sumWay{at: at, count: at}, run.Value())
		}
		run.Add(b[at : at+2])
	}
	room := make([]byte, l.size)
	copy(room, b)
	for _, at := range sumPlaces(l.size) {
		if at+s.Width > l.size {
			continue
		}
		zero(room, int64(at), s.Width)
		note(sumWay{at: at, count: l.size, inside: true}, s.Of(room))
		copy(room[at:at+s.Width], b[at:])
		if from := at + s.Width; at <= 32 {
			note(sumWay{at: at, from: from, count: l.size - from}, s.Of(b[from:]))
		}
	}
}

// sumHit notes that a way is true of a sector, in each encoding. A sum of zero
// says nothing, nor does one that stands in the span as a word.
func (l *looker) sumHit(hits map[sumWay]*sumHits, i int, w sumWay, v uint64) {
	if v == 0 {
		return
	}
	b, width := l.near[i].data, Sums[w.sum].Width
	field := b[w.at : w.at+width]
	for _, e := range sumForms[width] {
		if have, _ := forms[e].Decode(field); have != v {
			continue
		}
		if span := b[w.from : w.from+w.count]; !usable(span) || width == 4 && holdsWord(span, field, w.at-w.from) ||
			inTable(b, w.at, forms[e]) {
			continue
		}
		w.encoding = e
		h := hits[w]
		if h == nil {
			h = &sumHits{sumWay: w, values: map[uint64]bool{}}
			hits[w] = h
		}
		h.sectors = append(h.sectors, i)
		if !h.values[v] {
			h.values[v] = true
			h.log += math.Log(l.stats.likely(field))
		}
	}
}

// inTable tells whether a field is close to one of its neighbours, as the
// entries of tables and counters are. Sums of such rows give the next entry
// for no other reason than arithmetic.
func inTable(b []byte, at int, f *Form) bool {
	const close = 256
	v, _ := f.Decode(b[at:])
	for _, k := range []int{-2, -1, 1, 2} {
		i := at + k*f.Width
		if f.Width < 2 || i < 0 || i+f.Width > len(b) {
			continue
		}
		if x, _ := f.Decode(b[i:]); max(x, v)-min(x, v) <= close {
			return true
		}
	}
	return false
}

// ruled drops the hits of algorithms that are right at many places of one
// sector: then the data follow a rule of their own, and none of it is a
// checksum.
func ruled(hits map[sumWay]*sumHits) {
	type key struct{ sector, sum int }
	places := map[key]map[int]bool{}
	for w, h := range hits {
		for _, i := range h.sectors {
			k := key{i, w.sum}
			if places[k] == nil {
				places[k] = map[int]bool{}
			}
			places[k][w.at] = true
		}
	}
	most := map[int]int{1: 8, 2: 3, 4: 2}
	for w, h := range hits {
		for _, i := range h.sectors {
			if len(places[key{i, w.sum}]) > most[Sums[w.sum].Width] {
				delete(hits, w)
				break
			}
		}
	}
}

// holdsWord tells whether a word stands in the span, elsewhere than at byte at.
func holdsWord(span, word []byte, at int) bool {
	for i := 0; i+len(word) <= len(span); i += len(word) {
		if i != at && string(span[i:i+len(word)]) == string(word) {
			return true
		}
	}
	return false
}

// How many starts of spans of whole sectors are tried, and how long such spans
// may be, in sectors.
const (
	spanStarts  = 16
	spanLongest = 512
)

// spanLengths returns the lengths of the spans that begin at x: those that end
// at a border, and round ones, in sectors.
func (l *looker) spanLengths(x disk.Sector) (out []disk.Sector) {
	for n := disk.Sector(2); n <= 256; n *= 2 {
		out = append(out, n)
	}
	for _, s := range l.out.Structures {
		if n := s.End() - x; n > 1 && n <= spanLongest {
			out = append(out, n)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
