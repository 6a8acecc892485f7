package capture

import (
	"bytes"
	"io"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// salvageRecord reads a damaged record. What the record does not tell any more
// of the drive is taken from hint. Nothing that it calls known may be believed
// before prove.
func salvageRecord(r io.Reader, hint Geometry) (*Record, error) {
	rec := &Record{Geometry: hint, twins: map[disk.Sector][]record.Variant{}, salvaged: true}
	var wrong, newer error
	begun := func() bool {
		if rec.states == nil {
			if wrong = rec.Geometry.check(); wrong == nil {
				rec.room()
			}
		}
		return wrong == nil
	}
	s := &record.Salvager{Take: func(l *record.Line) bool {
		if l.Verb == record.VerbWords {
			return true
		}
		if l.Verb == record.VerbRecord && newer == nil && rec.states == nil {
			newer = rec.takeForm(l.Numbers[0])
		}
		if rec.states == nil && rec.opens(l) {
			return true
		}
		return wrong == nil && begun() && rec.apply(l) == nil
	}}
	if err := s.Salvage(r); err != nil {
		return nil, err
	}
	if newer != nil {
		return nil, newer
	}
	if !begun() {
		return nil, wrong
	}
	if s.Proved < 2 {
		return nil, &record.FormatError{Line: 1, Offset: 0, Why: "nothing in it is a line of a record"}
	}
	rec.Damage = &s.Damage
	return rec, nil
}

// opens takes in a line of the opening.
func (rec *Record) opens(l *record.Line) bool {
	switch l.Verb {
	case record.VerbRecord:
		return l.Numbers[0] == rec.Form
	case record.VerbDisk:
		rec.Sectors, rec.SectorSize = disk.Sector(l.Numbers[0]), int(min(l.Numbers[1], 1<<20))
		rec.sized = true
	case record.VerbDrive:
		rec.Identity = image.Identity{Model: l.Texts[0], Serial: l.Texts[1], Bus: l.Texts[2], Removable: l.Texts[3] == "removable"}
	case record.VerbMissingAs:
		rec.MissingAs = Fill(l.Texts[0])
	default:
		return false
	}
	return true
}

// prove compares all of the image with what a damaged record says of it, and
// counts as unread whatever is not exactly what was read: a line that is lost
// may have said otherwise. It returns how many sectors are proved.
func (rec *Record) prove(img io.ReaderAt) (disk.Sector, error) {
	bad, err := rec.changed(img, func(disk.Span) bool { return true })
	if err != nil {
		return 0, err
	}
	bad = append(bad, rec.uncovered()...)
	n := int64(rec.SectorSize)
	have, fill := make([]byte, n), make([]byte, n)
	for _, s := range rec.Missing() {
		for x := s.Start; x < s.End(); x++ {
			if rec.MissingAs == FillPattern {
				putPattern(fill, x)
			}
			if err := image.ReadFull(img, have, int64(x)*n); err != nil {
				return 0, err
			}
			if !bytes.Equal(have, fill) {
				bad = append(bad, disk.Span{Start: x, Count: 1})
			}
		}
	}
	bad = disk.NewSpans(bad...)
	for _, s := range bad {
		rec.states.set(s, unread)
		rec.weak.set(s, false)
	}
	rec.Damage.Lost = bad
	rec.Image = nil
	return rec.states.spans(rec.Whole(), good, unstable).Sectors(), nil
}
