package link

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/table/mbr"
)

// work is a holder that waits to be searched.
type work struct {
	Holder
	volume int // index of the entry of its volume, -1 for none
	code   func(at disk.Sector, b []byte) [][2]int
	by     *Link // that led here, or nil
	whole  bool  // blank sectors are read too, for their places count
	boot   bool  // the boot sectors of a volume
}

// first tells whether a machine starts with the holder: sector 0, or what a volume keeps
// before its tables.
func (w *work) first() bool { return w.boot || w.isSector0() }

func (w *work) isSector0() bool { return len(w.Spans) == 1 && w.Spans[0] == disk.Span{Count: 1} }

// goesOn tells whether a kind is that of the number that led to the holder: a list goes
// on in the way in which it is named.
func (w *work) goesOn(k *kind) bool {
	return w.by != nil && w.by.Encoding == k.name && w.by.Unit == k.unit.Unit
}

// Find looks for links in the boot code of a disk, of which m is the survey. What
// the source does not know is told, and not searched. The error is that of ctx, or
// a failed read.
func Find(ctx context.Context, src image.Source, m *layout.Map) (*Found, error) {
	s := &searcher{ctx: ctx, src: src, m: m, size: src.SectorSize(), known: map[int64]int{}}
	s.out.SizeOf = s.size
	if err := s.places(); err != nil {
		return nil, err
	}
	if err := s.run(); err != nil {
		return nil, err
	}
	slices.SortStableFunc(s.out.Links, func(a, b Link) int {
		return cmp.Or(cmp.Compare(a.Depth, b.Depth), cmp.Compare(a.At, b.At), cmp.Compare(a.Byte, b.Byte))
	})
	return &s.out, nil
}

// run searches the holders, when it is known what numbers may name.
func (s *searcher) run() error {
	s.out.places = s.list
	s.geometry()
	s.takeEntries()
	s.makeUnits()
	s.firstHolders()
	if err := s.forms(); err != nil {
		return err
	}
	for len(s.queue) > 0 {
		if err := s.ctx.Err(); err != nil {
			return err
		}
		next := s.queue[0]
		s.queue = s.queue[1:]
		if err := s.search(next); err != nil {
			return err
		}
	}
	return nil
}

// geometry takes the heads and sectors that the table counts in.
func (s *searcher) geometry() {
	t, err := mbr.Read(s.src)
	if err != nil {
		return // no table that can be read, and so no geometry
	}
	if g, ok := t.Geometry(); ok {
		s.heads, s.track = g.Heads, g.SectorsPerTrack
	}
}

// takeEntries takes what numbers may be relative to: entries, the active one first,
// and a bare volume for its clusters.
func (s *searcher) takeEntries() {
	list := slices.Clone(s.m.Entries)
	slices.SortStableFunc(list, func(a, b layout.Entry) int {
		return cmp.Compare(btoi(b.Active), btoi(a.Active))
	})
	take := func(index int, start disk.Sector, v *layout.Volume) {
		e := entry{index: index, start: start}
		if v != nil && v.ClusterBytes >= int64(s.size) {
			e.cluster = v.ClusterBytes / int64(s.size)
			e.zero = v.Start
			if data := v.PartsOf(layout.PartData); strings.HasPrefix(v.Kind, "fat") && len(data) > 0 {
				e.zero = data[0].Start - 2*disk.Sector(e.cluster)
			}
		}
		s.entries = append(s.entries, e)
	}
	for _, e := range list {
		if e.HoldsVolume() && len(s.entries) < maxEntries {
			take(e.Index, e.Start, s.m.Volume(e.Index))
		}
	}
	if v := s.m.Volume(0); v != nil {
		take(0, v.Start, v)
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// makeUnits makes what numbers may count. Units of the disk: sectors, 1, 2 and 4
// KiB, and those in which addresses are counted elsewhere (candidate.Address).
func (s *searcher) makeUnits() {
	sizes := []int64{1}
	for _, bytes := range []int64{1024, 2048, 4096} {
		if n := bytes / int64(s.size); n > 1 {
			sizes = append(sizes, n)
		}
	}
	for _, n := range candidate.UnitSizes(candidate.Address) {
		if !slices.Contains(sizes, n) {
			sizes = append(sizes, n)
		}
	}
	for _, n := range sizes {
		s.units = append(s.units, newUnit(Unit{Counts: FromDisk, Sectors: n, Volume: -1}, s.list))
	}
	for _, e := range s.entries {
		if e.start > 0 {
			s.units = append(s.units, newUnit(Unit{Counts: FromEntry, Sectors: 1, Volume: e.index, Base: e.start}, s.list))
		}
		if e.cluster > 0 {
			s.units = append(s.units, newUnit(Unit{Counts: InClusters, Sectors: e.cluster, Volume: e.index, Base: e.zero},
				s.list))
		}
	}
	if s.track > 0 {
		s.units = append(s.units, newUnit(Unit{Counts: InCHS, Sectors: 1, Volume: -1, Heads: s.heads, Track: s.track},
			s.list))
	}
	n := 0
	for _, u := range s.units {
		n += len(u.place)
	}
	s.any = newFilter(n)
	for _, u := range s.units {
		for v := range u.place {
			s.any.add(v)
		}
	}
}

// search looks for links in one holder.
func (s *searcher) search(w work) error {
	var fresh []disk.Span
	for _, span := range w.Spans {
		fresh = append(fresh, s.seen.Outside(span)...)
	}
	if len(fresh) == 0 {
		return nil
	}
	w.Spans = fresh
	s.seen = s.seen.Union(disk.NewSpans(fresh...))
	if s.out.Searched >= maxSearch {
		s.out.Cut = true
		return nil
	}
	t, err := s.read(&w)
	if err != nil {
		return err
	}
	s.out.Searched += int64(len(t.b))
	s.out.Holders = append(s.out.Holders, w.Holder)
	if len(t.b) < 2 {
		return nil
	}
	if w.boot {
		s.names(&w, t)
	}
	found, weak := s.linksOf(&w, t)
	for _, l := range found {
		s.keep(l)
	}
	for _, l := range weak {
		if len(s.out.Weak) < maxWeak && !slices.ContainsFunc(found, l.overlaps) {
			s.out.Weak = append(s.out.Weak, l)
		}
	}
	return nil
}

// linksOf returns the links of a holder, and numbers that are too weak for one.
func (s *searcher) linksOf(w *work, t *text) (found, weak []Link) {
	for rank, k := range s.kinds(t) {
		if k.unit.Volume >= 0 && w.volume >= 0 && k.unit.Volume != w.volume {
			continue // a volume's own code counts in its own volume
		}
		bar := k.bar(w)
		for i := range k.hits {
			l, ok := s.link(w, t, k, i, bar)
			l.rank = rank
			switch {
			case !ok:
			case l.ByChance <= bar:
				found = append(found, l)
			case w.first() && k.common(s.size) && l.ByChance <= WeakBar:
				weak = append(weak, l)
			}
		}
	}
	return distinct(found), distinct(weak)
}

// overlaps tells whether links have bytes in common.
func (l *Link) overlaps(o Link) bool {
	return o.At == l.At && l.Byte < o.Byte+o.Width && o.Byte < l.Byte+l.Width
}

// names finds the files whose names stand in the code of their volume, and puts them in
// line: they are code too.
func (s *searcher) names(w *work, t *text) {
	for _, r := range s.roots {
		if r.Volume != w.volume || !bytes.Contains(t.b, r.name) {
			continue
		}
		s.out.Named = append(s.out.Named, r.Named)
		name := fmt.Sprintf("%s: %s", layout.VolumeName(r.Volume), r.Path)
		s.queue = append(s.queue, work{Holder: Holder{Name: name, Spans: r.Runs, Depth: w.Depth + 1}, volume: r.Volume})
	}
}

// link makes a link of a hit, unless a known form has its bytes.
func (s *searcher) link(w *work, t *text, k *kind, i int, bar float64) (Link, bool) {
	h := k.hits[i]
	at, in := t.place(h.at)
	if s.explained(at, in, h.width) {
		return Link{}, false
	}
	chance, why := s.judge(w, t, k, i, bar)
	return Link{
		Holder: w.Name, At: at, Byte: in, Encoding: k.name, Width: h.width, Unit: k.unit.Unit, Value: uint64(h.v),
		Target: s.list[h.place], Depth: w.Depth, Evidence: why, ByChance: chance,
	}, true
}

// explained tells whether bytes belong to a list of a known form.
func (s *searcher) explained(at disk.Sector, in, width int) bool {
	from := int64(at)*int64(s.size) + int64(in)
	for i := range int64(width) {
		if s.known[from+i] > 0 {
			return true
		}
	}
	return false
}

// distinct leaves out numbers that are a part of a longer one, and of several that
// read common bytes as the same place all but the longest.
func distinct(list []Link) (out []Link) {
	slices.SortStableFunc(list, func(a, b Link) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(b.Width, a.Width), cmp.Compare(a.rank, b.rank),
			cmp.Compare(a.Byte, b.Byte))
	})
	for _, l := range list {
		same := slices.ContainsFunc(out, func(o Link) bool {
			inside := l.Byte >= o.Byte && l.Byte+l.Width <= o.Byte+o.Width && o.Width > l.Width
			overlap := l.Byte < o.Byte+o.Width && o.Byte < l.Byte+l.Width
			return o.At == l.At && (inside || overlap && o.Target.Start == l.Target.Start)
		})
		if !same {
			out = append(out, l)
		}
	}
	return out
}

// keep takes a link over, and puts in line what it leads to.
func (s *searcher) keep(l Link) {
	if len(s.out.Links) >= maxLinks {
		s.out.Cut = true
		return
	}
	s.out.Links = append(s.out.Links, l)
	s.out.Spent += l.ByChance
	if l.Lost != "" || l.Target.Kind == Boot || l.Target.Empty() {
		return
	}
	if len(s.seen.Outside(l.Target.Span)) == 0 {
		s.out.Circle = s.out.Circle || l.Depth > 0
		return
	}
	if l.Depth+1 >= MaxDepth {
		s.out.Deep = true
		return
	}
	s.queue = append(s.queue, work{Holder: Holder{Name: l.Target.Name, Spans: []disk.Span{l.Target.Span},
		Depth: l.Depth + 1}, volume: l.Target.Volume, by: &l})
}
