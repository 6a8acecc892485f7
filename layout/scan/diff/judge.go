package diff

import (
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// A few bytes of a few sectors are a counter, a clock or a note: by hand, no source.
const (
	fewSectors = 16
	fewBytes   = 64
)

// At least so many sectors in use that are blank now, and one in emptiedShare
// of those in use, are a catalogue that was emptied. By hand, no source.
const (
	fewEmptied   = 4
	manyEmptied  = 8
	emptiedShare = 8
)

// judge says what the device did: numbers first, then copies, checksums, a
// format, a desktop. What none of them explains is a counter, if it is little.
func (w *work) judge() {
	r := w.out
	if r.Changed == 0 {
		r.Kinds = []Kind{Untouched}
		return
	}
	add := func(seen bool, k Kind) {
		if seen {
			r.Kinds = append(r.Kinds, k)
		}
	}
	sectors, left, boot := w.unexplained()
	formatted := w.newFormat() || len(r.Volumes) > 0
	few := sectors <= fewSectors && left <= fewBytes
	inVolumes := len(w.inVolumes) > 0
	add(slices.ContainsFunc(r.Readings, func(x Reading) bool { return x.Proved() && !x.Copied }), Numbers)
	add(w.tailRestored > 0, TailFromHead)
	add(w.headRestored > 0, HeadFromTail)
	add(w.nearRestored > 0, Mended)
	add(len(r.Renewed) > 0, Checksums)
	add(formatted, NewFormat)
	add(len(r.Volumes) > 0, NewVolume)
	add(w.desktop, Desktop)
	add(w.mounted && !formatted, Mounted)
	add(inVolumes && w.content && !formatted, Content)
	add(inVolumes && w.files && !formatted, Files)
	add(sectors > 0 && few && !formatted, Counted)
	add(sectors > 0 && !few && !formatted, Rewritten)
	add(len(r.Kinds) == 0 && boot > 0, Rewritten)
	add(len(r.Kinds) == 0, Files)
	r.Original = formatted && boot > 0 // a volume alone says nothing about the boot areas
	w.findings()
}

// unexplained counts the sectors of boot areas with changed bytes that nothing
// explains, and those bytes; text where nothing stood is a note of any length.
func (w *work) unexplained() (sectors disk.Sector, left int, boot disk.Sector) {
	for _, g := range w.out.Regions {
		if g.Role != layout.RoleVolume {
			boot += g.Changed
		}
	}
	for i := range w.ends {
		e := &w.ends[i]
		if n := e.left(); n > 0 && !e.repeated {
			sectors++
			if !e.isNote() {
				left += n
			}
		}
	}
	if rest := boot - disk.Sector(len(w.ends)); rest > 0 { // more than was kept
		sectors += rest
		left += int(rest)
	}
	return sectors, left, boot
}

// isNote tells whether what is left of a sector is text that was written where
// nothing stood.
func (e *end) isNote() bool {
	for i, o := range e.open {
		c := e.is[i]
		text := c >= ' ' && c <= '~' || c == '\r' || c == '\n' || c == '\t' || c == 0
		if o && (!text || e.was[i] != 0 && e.was[i] != 0xFF) {
			return false
		}
	}
	return true
}

// newFormat tells whether the device made a layout of its own: the tables or
// volumes are others now, most of what was in use at an end is another, or a
// part of it was emptied.
func (w *work) newFormat() bool {
	a, b := w.before.Survey, w.after.Survey
	sameEntry := func(x, y layout.Entry) bool { return x.Span == y.Span && x.Type == y.Type }
	if a.Table != b.Table || !slices.EqualFunc(a.Entries, b.Entries, sameEntry) {
		return true
	}
	if !slices.EqualFunc(a.Volumes, b.Volumes, func(x,
		y layout.Volume) bool {
		return x.Span == y.Span && x.Kind == y.Kind && x.ID == y.ID
	}) {
		return true
	}
	var used disk.Sector
	for _, r := range w.out.Regions {
		if r.Role != layout.RoleVolume {
			used += r.Content.NonBlank
		}
	}
	least := disk.Sector(manyEmptied)
	if slices.ContainsFunc(w.out.Readings, func(x Reading) bool { return x.Proved() }) {
		least = fewEmptied
	}
	if w.emptied >= max(least, used/emptiedShare) {
		return true
	}
	return slices.ContainsFunc(w.out.Regions, func(r Region) bool {
		used := r.Content.NonBlank
		// half of an area in use, most of its bytes, and little of it as it was: it was laid down anew (by
		// hand, no source)
		return r.Role != layout.RoleVolume && used > 0 && r.Changed >= max(8, used/2) &&
			r.Bytes >= 64*int64(r.Changed) && 2*r.Restored < r.Changed
	})
}
