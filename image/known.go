package image

import (
	"bootgraft/image/disk"
)

// Known is another source of which only some sectors are known.
type Known struct {
	Source
	unknown disk.Spans
	state   func(disk.Sector) State
}

// NewKnown returns src without the unknown sectors. state says why a sector
// of them is not known; nil means Unread for all.
func NewKnown(src Source, unknown disk.Spans, state func(disk.Sector) State) *Known {
	if state == nil {
		state = func(disk.Sector) State { return Unread }
	}
	return &Known{src, unknown, state}
}

// ReadAt fails with an UnknownError if any byte asked for lies in a sector
// that is not known.
func (k *Known) ReadAt(p []byte, off int64) (int, error) {
	if off >= 0 && off < k.Size() && len(p) > 0 {
		n := int64(k.SectorSize())
		end := min(off+int64(len(p)), k.Size())
		asked := disk.Between(disk.Sector(off/n), disk.Sector((end+n-1)/n))
		if hit := k.unknown.First(asked); !hit.Empty() {
			return 0, &UnknownError{hit, k.state(hit.Start)}
		}
	}
	return k.Source.ReadAt(p, off)
}

// NextData implements Sparse. A sector that is not known counts as stored, so
// that nobody takes it for zeros.
func (k *Known) NextData(off int64) (start, end int64) {
	start, end = NextData(k.Source, off)
	n := int64(k.SectorSize())
	gap := disk.Between(disk.Sector(off/n), disk.Sector((start+n-1)/n))
	if hit := k.unknown.First(gap); !hit.Empty() {
		return max(off, int64(hit.Start)*n), min(int64(hit.End())*n, k.Size())
	}
	return start, end
}

// Unknown implements Partial.
func (k *Known) Unknown(w disk.Span) disk.Spans {
	return k.unknown.Within(w).Union(Unknown(k.Source, w))
}
