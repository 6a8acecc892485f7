package capture

import (
	"bytes"
	"cmp"
	"io"
	"slices"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// searched is how far one telling sector is looked for in the image, in bytes,
// and searchedFirst how much of that is read at first; both are whole sectors of
// any size, and chosen by hand, no source.
const (
	searched      = 1 << 20
	searchedFirst = 16 << 10
)

// telling returns sectors of a set, with their content, that are not one byte
// all over. They are spread over the set, and the closer the nearer to its
// beginning: there lie the tables and directories, and a drive that is blank
// otherwise still has these.
func telling(rec *record.Record, img io.ReaderAt, of disk.Spans, shift int) ([]anchor, error) {
	total := of.Sectors()
	if total == 0 {
		return nil, nil
	}
	var places []disk.Sector
	// Doubling from 32 on: by hand, no source.
	for i := disk.Sector(32); i < total; i *= 2 {
		places = append(places, i)
	}
	for i := range disk.Sector(2 * fingerprints) {
		places = append(places, total*i/(2*fingerprints))
	}
	var found []anchor
	for _, i := range places {
		a, err := tellingFrom(rec, img, of, nth(of, i))
		if err != nil {
			return nil, err
		}
		if a != nil {
			found = append(found, *a)
		}
	}
	slices.SortFunc(found, func(a, b anchor) int { return cmp.Compare(a.at, b.at) })
	found = slices.CompactFunc(found, func(a, b anchor) bool { return a.at == b.at })
	n := len(found)
	if n <= fingerprints {
		return found, nil
	}
	var out []anchor
	for i := range fingerprints { // evenly
		from, to := i*n/fingerprints, (i+1)*n/fingerprints
		out = append(out, found[from+shift%(to-from)])
	}
	return out, nil
}

// tellingFrom returns the next sector of the set from x on that is not one byte
// all over, if it is near, and was never slow to answer again. Most sectors of a
// drive in use tell, so little is read of the image at first.
func tellingFrom(rec *record.Record, img io.ReaderAt, of disk.Spans, x disk.Sector) (*anchor, error) {
	n := int64(rec.SectorSize)
	near := disk.Span{Start: x, Count: disk.Sector(searched / n)}.Common(rec.Whole())
	for size := disk.Sector(searchedFirst / n); !near.Empty(); size *= 8 {
		part := disk.Span{Start: near.Start, Count: min(size, near.Count)}
		near = disk.Between(part.End(), near.End())
		wanted := of.Within(part)
		if len(wanted) == 0 {
			continue
		}
		b := make([]byte, int64(part.Count)*n)
		if err := image.ReadFull(img, b, int64(part.Start)*n); err != nil {
			return nil, err
		}
		for _, s := range wanted {
			for y := s.Start; y < s.End(); y++ {
				if one := b[int64(y-part.Start)*n:][:n]; tells(one) && rec.Solid(y) {
					return &anchor{y, bytes.Clone(one)}, nil
				}
			}
		}
	}
	return nil, nil
}

// tellingEnds returns the first and the last sector of a span that is not one byte
// all over, as far as it is looked for.
func tellingEnds(rec *record.Record, img io.ReaderAt, s disk.Span) ([]anchor, error) {
	first, err := tellingFrom(rec, img, disk.Spans{s}, s.Start)
	if first == nil || err != nil {
		return nil, err
	}
	n := int64(rec.SectorSize)
	part := disk.Between(max(first.at+1, s.End()-disk.Sector(searched/n)), s.End())
	if part.Empty() {
		return []anchor{*first}, nil
	}
	b := make([]byte, int64(part.Count)*n)
	if err := image.ReadFull(img, b, int64(part.Start)*n); err != nil {
		return nil, err
	}
	for y := part.End() - 1; y >= part.Start; y-- {
		if one := b[int64(y-part.Start)*n:][:n]; tells(one) && rec.Solid(y) {
			return []anchor{*first, {y, bytes.Clone(one)}}, nil
		}
	}
	return []anchor{*first}, nil
}

// nth returns the sector of the set that i others precede.
func nth(s disk.Spans, i disk.Sector) disk.Sector {
	for _, p := range s {
		if i < p.Count {
			return p.Start + i
		}
		i -= p.Count
	}
	return 0
}
