package diff

import (
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// A few bytes of a few sectors are a counter, a clock or a note.
const (
	fewSectors = 16
	fewBytes   = 64
)

// judge says what the device did.
func (w *work) judge() {
	r := w.out
	if r.Changed == 0 {
		r.Kinds = []Kind{Untouched}
		return
	}
	var boot, restored disk.Sector
	var bootBytes int64
	inVolumes := false
	for _, g := range r.Regions {
		if g.Role == layout.RoleVolume {
			inVolumes = inVolumes || g.Changed > 0
			continue
		}
		boot += g.Changed
		bootBytes += g.Bytes
		restored += g.Restored
	}
	add := func(seen bool, k Kind) {
		if seen {
			r.Kinds = append(r.Kinds, k)
		}
	}
	formatted := w.newFormat()
	add(boot > 0 && restored == 0 && boot <= fewSectors && bootBytes <= fewBytes && !formatted, Counted)
	add(inVolumes && !formatted, Files)
	add(w.tailRestored > 0, TailFromHead)
	add(w.headRestored > 0, HeadFromTail)
	add(formatted, NewFormat)
	add(len(r.Kinds) == 0 || len(r.Kinds) == 1 && r.Kinds[0] == Files && boot > 0, Rewritten)
}

// newFormat tells whether the device made a layout of its own: the tables or
// volumes are others now, or most of what was in use at an end is another.
func (w *work) newFormat() bool {
	a, b := w.before.Survey, w.after.Survey
	if a.Table != b.Table || !slices.EqualFunc(a.Entries, b.Entries, func(x, y layout.Entry) bool { return x.Span == y.Span && x.Type == y.Type }) {
		return true
	}
	if !slices.EqualFunc(a.Volumes, b.Volumes, func(x, y layout.Volume) bool { return x.Span == y.Span && x.Kind == y.Kind && x.ID == y.ID }) {
		return true
	}
	return slices.ContainsFunc(w.out.Regions, func(r Region) bool {
		used := r.Content.NonBlank
		return r.Role != layout.RoleVolume && used > 0 && r.Changed >= max(8, used/2) && r.Bytes >= 64*int64(r.Changed) && 2*r.Restored < r.Changed
	})
}
