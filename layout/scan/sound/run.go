package sound

import (
	"bootgraft/image"
	"bootgraft/image/disk"
)

// Run is one stretch of the disk that is sound by its own evidence.
type Run struct {
	Start int64 // bytes from the start of the disk; need not be the edge of a sector
	Count int64 // bytes, with header and all
	Data  Range // where the samples lie, bytes of the disk; the whole run if nothing is around them

	Kind   Kind
	Format Format

	RateGuessed bool    // Format.Rate is the first of UsualRates: nothing says it
	Seconds     float64 // at Format.Rate
	Evidence    float64 // bits beyond what the number of readings tried gives by chance
	Why         string  // one sentence: what was seen
	Missing     []Gap   // sectors of the run that are not known
}

// Range is a stretch of bytes of the disk.
type Range struct{ Start, Count int64 }

// End returns the first byte after the range.
func (r Range) End() int64 { return r.Start + r.Count }

// End returns the first byte after the run.
func (r *Run) End() int64 { return r.Start + r.Count }

// Gap is a run of missing sectors and what is lost with them.
type Gap struct {
	disk.Span
	Seconds float64 // of the recording that are spoiled; 0 where only a header is hit
}

// perSecond returns how many bytes of the run one second takes.
func (r *Run) perSecond() float64 {
	if r.Seconds <= 0 {
		return 0
	}
	return float64(r.Data.Count) / r.Seconds
}

// setMissing finds the sectors of the run that src does not know.
func (r *Run) setMissing(src image.Source) {
	n := int64(src.SectorSize())
	r.Missing = nil
	for _, u := range image.Unknown(src, disk.Between(disk.Sector(r.Start/n), disk.Sector((r.End()+n-1)/n))) {
		hit := min(int64(u.End())*n, r.Data.End()) - max(int64(u.Start)*n, r.Data.Start)
		g := Gap{Span: u}
		if per := r.perSecond(); per > 0 {
			g.Seconds = float64(max(0, hit)) / per
		}
		r.Missing = append(r.Missing, g)
	}
}
