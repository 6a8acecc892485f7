package join

import (
	"cmp"
	"math"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Bounds of judging, by hand, no source; what they let pass is counted by judge.
const (
	inSound    = 0.8   // share of an extent, or of a group, that has to be sound
	goodStarts = 0.75  // share of the pieces of a group that begin where one may
	barJoin    = 0.001 // what chance may give on one disk; a share of candidate.Bar's kind
)

// song is a group that stands on sound.
type song struct {
	group
	pieces []disk.Span
	good   int // pieces that begin where another one ends, or where sound begins
	blank  int // other pieces that begin behind blank: what is free, or silence
}

// judge keeps the groups of a reading that lie in sound, name no block twice, and begin
// their pieces where one may begin. It tells whether any is left, and how likely they
// would be by chance.
func (f *finder) judge(r *reading) bool {
	p := placing{unit: r.unit, base: r.base}
	r.songs = nil
	r.cut = 0
	for _, g := range r.groups {
		parts, stand := f.onSound(g, p, r), int64(0)
		for i := range parts {
			stand += parts[i].blocks()
		}
		// What stands on sound for a small part is something else altogether.
		r.cut += disk.Sector(min(g.blocks()-stand, 2*stand)) * r.unit
		r.songs = append(r.songs, parts...)
	}
	r.songs = slices.DeleteFunc(r.songs, func(s song) bool { return s.blocks() < fewestBlocks })
	tried := max(len(r.songs), r.tried)
	onSound := len(r.songs)
	r.songs = once(r.songs, f.n)
	kept := len(r.songs)
	for range 2 { // what falls out in the first round may have been where others began
		f.starts(r.songs)
		r.songs = slices.DeleteFunc(r.songs, func(s song) bool {
			return float64(s.good) < goodStarts*float64(len(s.pieces)-s.blank) || 2*s.good < len(s.pieces)
		})
	}
	if len(r.songs) == 0 || r.kind == List && !r.lists() {
		return false
	}
	chance, starts := f.startsByChance(r, p)
	r.log, r.covers = 0, 0
	used := 0.0 // of the starts: none comes twice, where nothing was left out that does
	distinct := 20*(onSound-kept) <= kept
	for i := range r.songs {
		s := &r.songs[i]
		sum := math.Log(float64(tried))
		for range s.good {
			sum += math.Log(chance * max(1, starts-used) / starts)
			if distinct {
				used++
			}
		}
		sum += choices(len(s.pieces), s.good) // any of the pieces might have been the good ones
		r.log += min(0, sum)
		for _, q := range s.pieces {
			r.covers += f.sounding(q)
		}
	}
	return true
}

// choices returns the natural logarithm of in how many ways k of n can be chosen.
func choices(n, k int) float64 {
	ln := func(x int) float64 { v, _ := math.Lgamma(float64(x) + 1); return v }
	return ln(n) - ln(k) - ln(n-k)
}

// lists tells whether numbers one after the other are blocks of one song each: some
// follow their neighbour, or several lists stand apart.
func (r *reading) lists() bool {
	if len(r.songs) > 1 {
		return true
	}
	return slices.ContainsFunc(r.songs[0].extents, func(e extent) bool { return e.count > 1 })
}

// onSound returns a group as it lies on the disk if it lies in sound, else the parts of
// it that do.
func (f *finder) onSound(g group, p placing, r *reading) []song {
	in, all := disk.Sector(0), disk.Sector(0)
	fits := make([]bool, len(g.extents))
	for i, e := range g.extents {
		s := p.span(e, f.n)
		here := f.sounding(s)
		fits[i] = !s.Empty() && float64(here) >= inSound*float64(s.Count)
		in, all = in+here, all+s.Count
	}
	whole := float64(in) >= inSound*float64(all) && !slices.ContainsFunc(g.extents, func(e extent) bool {
		return p.span(e, f.n).Empty()
	})
	var out []song
	numbers := 0 // in front of the extent
	fresh := true
	for i, e := range g.extents {
		if whole || fits[i] {
			if fresh {
				out = append(out, song{group: group{at: g.at + numbers*r.stride}})
			}
			s := &out[len(out)-1]
			s.extents, s.pieces = append(s.extents, e), append(s.pieces, p.span(e, f.n))
		}
		fresh = !whole && !fits[i]
		switch r.kind {
		case List:
			numbers += int(e.count)
		case Extents:
			numbers++
		}
	}
	return out
}

// once drops songs that name a block which one before has named.
func once(all []song, n disk.Sector) (out []song) {
	// Those of most pieces first: what names the same blocks again in less is a copy of a
	// part, or a number that belongs to something else.
	order := slices.Clone(all)
	slices.SortStableFunc(order, func(a, b song) int {
		return cmp.Or(len(b.pieces)-len(a.pieces), cmp.Compare(b.blocks(), a.blocks()))
	})
	taken := disk.NewValues[bool](n)
	for _, s := range order {
		named := func(q disk.Span) bool { _, hit := taken.First(q, true); return hit }
		if !apart(s.extents) || slices.ContainsFunc(s.pieces, named) {
			continue
		}
		for _, q := range s.pieces {
			taken.Set(q, true)
		}
		out = append(out, s)
	}
	slices.SortStableFunc(out, func(a, b song) int { return cmp.Compare(a.at, b.at) })
	return out
}

// starts counts the pieces of each song that begin where one may begin.
func (f *finder) starts(songs []song) {
	ends := map[disk.Sector]bool{}
	for _, s := range songs {
		for _, q := range s.pieces {
			ends[q.End()] = true
		}
	}
	for i := range songs {
		s := &songs[i]
		s.good, s.blank = 0, 0
		for _, q := range s.pieces {
			switch {
			case ends[q.Start] || q.Start == 0 || !f.sound.Holds(q.Start-1):
				s.good++
			case f.isBlank(q.Start - 1):
				s.blank++
			}
		}
	}
}

// mostPeeks bounds how many sectors of the sound are read. By hand, no source.
const mostPeeks = 1 << 15

// isBlank tells whether a sector of the sound is blank. One that is not known is not.
func (f *finder) isBlank(x disk.Sector) bool {
	is, known := f.peeked[x]
	if !known && len(f.peeked) < mostPeeks {
		b, err := image.ReadSector(f.src, x)
		if err == nil {
			_, is = image.Blank(b)
		}
		f.peeked[x] = is
	}
	return is
}

// startsByChance returns how likely a number that stands by chance in the place of a
// first block is one at which a piece may begin, and how many such numbers there are. By
// chance it would be any of those between the lowest and the highest that are named, or
// one whose bytes stand as often in their places as in all numbers that are named.
func (f *finder) startsByChance(r *reading, p placing) (chance, count float64) {
	lowest, highest := int64(math.MaxInt64), int64(0)
	starts := map[int64]bool{}
	lanes, all, b := make([][256]float64, r.form.Width), 0.0, make([]byte, r.form.Width)
	for _, s := range r.songs {
		for _, e := range s.extents {
			lowest, highest = min(lowest, e.start), max(highest, e.end())
			starts[e.start] = true
			for v := e.start; v < e.end() && all < mostNumbers; v++ {
				if r.form.Encode(b, uint64(v)) == nil {
					for i, c := range b {
						lanes[i][c]++
					}
					all++
				}
			}
		}
	}
	for _, s := range f.sound { // and where nobody begins one
		at := int64((s.Start - p.base) / p.unit)
		if s.Start >= p.base && (s.Start-p.base)%p.unit == 0 && at >= lowest && at < highest {
			starts[at] = true
		}
	}
	byBytes := 0.0
	for v := range starts {
		if r.form.Encode(b, uint64(v)) != nil {
			continue
		}
		likely := 1.0
		for i, c := range b {
			likely *= lanes[i][c] / all
		}
		byBytes += likely
	}
	// What was left out for fitting nowhere had ends too, which might have fitted.
	from, _ := slices.BinarySearch(r.ends, lowest)
	to, _ := slices.BinarySearch(r.ends, highest)
	count = max(float64(len(starts)), float64(to-from))
	return min(1, max(byBytes, count/float64(max(1, highest-lowest)))), count
}

// better tells whether a placing says more of the sound than another one of the same
// reading: what it names and is no sound speaks against it.
func (r *reading) better(o *reading) bool {
	if mine, other := r.covers-r.cut, o.covers-o.cut; mine != other {
		return mine > other
	}
	return r.log < o.log
}

// settle keeps the readings that chance does not explain, those that say most first, and
// of the others what they say of sound that is not ordered yet.
func (f *finder) settle() *Found {
	// About as much said of the sound is as good: then the evidence decides.
	tenths := func(r *reading) disk.Sector { return (10*r.covers + f.sound.Sectors()/2) / f.sound.Sectors() }
	slices.SortStableFunc(f.found, func(a, b reading) int {
		return cmp.Or(cmp.Compare(tenths(&b), tenths(&a)), cmp.Compare(a.log, b.log))
	})
	out := &Found{}
	var taken disk.Spans
	for i := range f.found {
		r := &f.found[i]
		by := math.Exp(math.Log(max(1, f.trials)) + r.log)
		songs := slices.DeleteFunc(r.together(), func(s song) bool {
			return slices.ContainsFunc(s.pieces, func(q disk.Span) bool { return !taken.First(q).Empty() })
		})
		if by > barJoin || len(songs) == 0 || f.asNext(r) {
			continue
		}
		t := Table{Kind: r.kind, Encoding: r.form.Encoding, Stride: r.stride, Unit: r.unit, OtherUnits: r.others,
			Base: r.base, ByChance: by, Runs: len(f.sound), Begun: f.begun(r.songs)}
		t.At, t.Byte = f.address(r.sheet, songs[0].at)
		for _, s := range songs {
			one := Song{Pieces: s.pieces, Table: len(out.Tables)}
			one.At, one.Byte = f.address(r.sheet, s.at)
			out.Songs = append(out.Songs, one)
			t.Pieces += len(s.pieces)
			taken = taken.Union(disk.NewSpans(s.pieces...))
		}
		out.Tables = append(out.Tables, t)
	}
	return out
}

// begun counts the runs of sound that begin where a piece does. Pieces that join each
// other do so in blocks of any size: that these lie where they are said to, only the
// borders of the sound show.
func (f *finder) begun(songs []song) (n int) {
	for i := range songs {
		for _, q := range songs[i].pieces {
			if q.Start == 0 || !f.sound.Holds(q.Start-1) {
				n++
			}
		}
	}
	return n
}

// asNext tells whether the same bytes, read as a table of next blocks, say at least as
// much: such a table is also a list in which most blocks follow each other.
func (f *finder) asNext(r *reading) bool {
	return r.kind != Next && slices.ContainsFunc(f.found, func(o reading) bool {
		return o.kind == Next && o.sheet == r.sheet && o.covers >= r.covers &&
			math.Log(max(1, f.trials))+o.log < math.Log(barJoin)
	})
}

func (f *finder) address(s *sheet, at int) (disk.Sector, int) {
	return s.at + disk.Sector(at/f.size), at % f.size
}

// together returns the songs of a reading: records that stand alone, or that have room
// for a name, are a song each, for nothing says that they belong together.
func (r *reading) together() []song {
	const nameless = 4 // bytes beyond two numbers that are no name: by hand, no source
	if r.kind != Extents || len(r.songs) > 1 && r.stride-2*r.form.Width <= nameless {
		return r.songs
	}
	if r.counted() {
		return r.songs
	}
	var out []song
	for _, s := range r.songs {
		for i := range s.pieces {
			out = append(out, song{group: group{at: s.at + i*r.stride, extents: s.extents[i : i+1]},
				pieces: s.pieces[i : i+1]})
		}
	}
	return out
}

// counted tells whether in front of every group of records stands how many they are.
func (r *reading) counted() bool {
	short, err := candidate.FormOf(map[bool]candidate.Encoding{true: "be16", false: "le16"}[r.form.Encoding[0] == 'b'])
	if err != nil {
		return false
	}
	for _, s := range r.songs {
		found := false
		for _, form := range []*candidate.Form{r.form, short} {
			for at := s.at - form.Width; at >= max(0, s.at-32) && !found; at -= 2 {
				v, _ := form.Decode(r.sheet.data[at:])
				found = v == uint64(len(s.pieces))
			}
		}
		if !found {
			return false
		}
	}
	return true
}
