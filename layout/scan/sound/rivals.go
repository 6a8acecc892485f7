package sound

import (
	"math"

	"bootgraft/image"
)

// What lies at the edge of a run and is no part of it may well be foretold by the reading of
// the run: a picture, a table, a recording in another form. Another reading then says more
// of it. By hand, no source: at how many units from the edge another one is looked for, and
// what share of the bits it may leave.
var (
	rivalsAt   = []int{0, 3, 15}
	rivalLeave = 0.92
)

// outermost returns the last unit of a run, from the inside: the sum of what the units up to
// it say is largest, and no other reading says clearly more of those at the edge.
func (j *judge) outermost(r reading, units []unit) int {
	last := largestSum(units)
	for k := 0; k < len(rivalsAt); k++ {
		i := last - rivalsAt[k]
		if i < 0 || units[i].bytes == nil {
			continue
		}
		rival, ok := j.rival(r, units[i].bytes[:pieceBytes], units[i].at)
		if !ok {
			continue
		}
		for n := range units {
			if u := &units[n]; u.bytes != nil {
				u.rival = rival.cost(&j.work, u.bytes, u.at)
			}
		}
		if next, ok := withoutRival(units, last); ok {
			last, k = next, -1
		}
	}
	return last
}

// withoutRival returns the last unit of a run that does not hold what the rival says more of,
// and false if nothing is to be cut off, or the rival says little more of that.
func withoutRival(units []unit, last int) (next int, ok bool) {
	against := make([]unit, len(units))
	for i, u := range units {
		if u.bytes != nil {
			u.says = min(u.says, u.rival-u.cost)
		}
		against[i] = u
	}
	next = largestSum(against)
	mine, other := 0.0, 0.0
	for i := next + 1; i <= last; i++ {
		mine, other = mine+units[i].cost, other+units[i].rival
	}
	if next >= last || other >= rivalLeave*mine {
		return last, false
	}
	copy(units, against)
	return next, true
}

// largestSum returns the index up to which the sum of what units say is largest.
func largestSum(units []unit) (best int) {
	sum, most := 0.0, math.Inf(-1)
	for i, u := range units {
		if sum += u.says; u.bytes != nil && sum > most {
			best, most = i, sum
		}
	}
	return best
}

// rival returns another reading that says clearly more of a piece than r.
func (j *judge) rival(r reading, b []byte, at int64) (reading, bool) {
	null := nullBits(b)
	if !j.promising(b, null) || !j.readings(b, at, null, r.rivalled) {
		return r, false
	}
	g := j.found[0]
	return g.reading, g.bits < r.fullCost(&j.work, b, at)-barGood*float64(len(b))
}

// rivalled tells whether another reading can show that bytes are not of r: not one that takes
// the same words for more channels, for a tone repeats itself too.
func (r reading) rivalled(by reading) bool {
	if by.Bits == 16 && !by.possible() {
		return false
	}
	return by.Channels < r.Channels || r.words() != by.words()
}

// words returns the format of a reading without channels, with one name for readings that take
// the same bytes for high and low.
func (r reading) words() Format {
	f := r.Format
	f.Channels = 0
	if f.Width == 2 && f.Swap == image.Swap32 {
		f.Order, f.Swap = map[Order]Order{Little: Big, Big: Little}[f.Order], image.Plain
	}
	return f
}

// Pictures at the edge of a run are looked for by windows. By hand, no source.
const (
	pictureBytes = 16 << 10
	pictureStep  = 4 << 10
	pictureDepth = 4 * edgeReach
	pictureDrift = maxDrift / 4 // of what looks like rows; sound that does has less than a fifth of it
)

// withoutPictures cuts pictures of one byte a dot off both ends of a run: each dot is like the
// one a row above it, and they drift as no sound does.
func (f *finder) withoutPictures(r reading, start, end int64) (from, to int64, err error) {
	if r.Width != 1 {
		return start, end, nil
	}
	from, to = start, end
	for in := int64(0); in+pictureBytes <= min(pictureDepth, (end-start)/2); in += pictureStep {
		at := start + in
		if is, err := f.isPicture(r, at); err != nil {
			return 0, 0, err
		} else if is {
			from = at + pictureBytes
		}
		at = end - in - pictureBytes
		if is, err := f.isPicture(r, at); err != nil {
			return 0, 0, err
		} else if is {
			to = at
		}
	}
	return from, to, nil
}

func (f *finder) isPicture(r reading, at int64) (bool, error) {
	b, err := f.read(make([]byte, pictureBytes), at)
	if err != nil || b == nil || constant(b) {
		return false, err
	}
	if m := f.judge.glimpse(r, b, at); m.sound(r) && m.drift < pictureDrift {
		return false, nil
	}
	x, _ := r.samples(f.judge.x[:0], b, at)
	return rowsIn(x, r.Channels), nil
}
