package sound

import (
	"math"
)

// Blocks of 4 to 256 sectors of one track each lie in turn on the disks of recorders that
// write one track after the other (common practice, no source).
const (
	minBlockSectors = 4
	maxBlockSectors = 256
	tracksStretch   = 48 << 20 // bytes of a run that are looked at
	leap            = 2.5      // bits from which a step between two sectors counts as a leap
)

// tracks is how a run that reads as one channel is several of which a block of each lies
// in turn: where they begin, how long they are, and how many.
type tracks struct {
	at       int64 // edge of a block, bytes of the disk
	block    int64 // bytes
	channels int
}

// ends are the outer samples of one sector, and how far its samples are apart on average.
type ends struct {
	first, last int32
	step        float64
	known       bool
}

// leapTo returns how unlikely it is that b follows a, in bits.
func (a ends) leapTo(b ends) float64 {
	if !a.known || !b.known {
		return 0
	}
	return math.Log2(1 + math.Abs(float64(b.first)-float64(a.last))/(1+math.Min(a.step, b.step)))
}

// tracks looks whether the sound of a run leaps every so many sectors and goes on some
// blocks later.
func (f *finder) tracks(o *open) (t tracks, ok bool, err error) {
	all, from, err := f.sectorEnds(o)
	if err != nil || len(all) < 8*minBlockSectors {
		return t, false, err
	}
	size := int64(f.src.SectorSize())
	leaps := make([]float64, len(all))
	total := 0.0
	for i := 1; i < len(all); i++ {
		leaps[i] = max(0, all[i-1].leapTo(all[i])-leap)
		total += leaps[i]
	}
	n, phase, ok := period(leaps, total)
	if !ok {
		return t, false, nil
	}
	// Leaps between quiet tracks are small, so that a part of the distance may be the true
	// one: the best is what takes most leaps away.
	most := 16.0
	for part := 1; n/part >= minBlockSectors; part++ {
		if n%part != 0 {
			continue
		}
		for c := 2; c <= maxLanes; c++ {
			if gone := leapsGone(all, n/part, phase%(n/part), c); gone > most {
				most = gone
				t = tracks{at: from + int64(phase)*size, block: int64(n/part) * size, channels: c}
			}
		}
	}
	return t, t.block > 0 && t.block%int64(o.Width) == 0, nil
}

// leapsGone adds up by how much smaller the leaps are, in bits, where blocks of n sectors of so
// many tracks lie in turn than where all is one track.
func leapsGone(all []ends, n, phase, channels int) (gone float64) {
	for i := phase; i < len(all); i += n {
		if to := i + (channels-1)*n; i > 0 && to < len(all) {
			gone += all[i-1].leapTo(all[i]) - all[i-1].leapTo(all[to])
		}
	}
	return gone
}

// sectorEnds reads the ends of the sectors of a run.
func (f *finder) sectorEnds(o *open) (all []ends, from int64, err error) {
	size := int64(f.src.SectorSize())
	from = (o.start + size - 1) / size * size
	end := min(o.end, from+tracksStretch)
	buf := make([]byte, 256<<10)
	for at := from; at+size <= end; {
		n := min(int64(len(buf)), (end-at)/size*size)
		part := buf[:n]
		if part, err = f.read(part, at); err != nil {
			return nil, 0, err
		}
		for i := int64(0); i < n; i += size {
			e := ends{}
			if part != nil {
				e = f.endsOf(o.reading, part[i:i+size], at+i)
			}
			all = append(all, e)
		}
		at += n
	}
	return all, from, nil
}

// endsOf looks at the outer eighths of a sector.
func (f *finder) endsOf(r reading, b []byte, at int64) ends {
	n := r.framesIn(b, at)
	if n < 16 { // an eighth of fewer has no step to compare a leap with
		return ends{}
	}
	step := 0.0
	steps := func(x []int32) {
		for i := 1; i < len(x); i++ {
			step += math.Abs(float64(x[i]) - float64(x[i-1]))
		}
	}
	x := f.judge.frames(r, b, at, 0, n/8)
	e := ends{first: x[0], known: true}
	steps(x)
	x = f.judge.frames(r, b, at, n-n/8, n)
	e.last = x[len(x)-1]
	steps(x)
	e.step = step / float64(2*(n/8-1))
	return e
}

// period returns the longest distance, in sectors, at which nearly all leaps lie that lie
// at any such distance: half of it holds them too, twice of it only half of them.
func period(leaps []float64, total float64) (n, phase int, ok bool) {
	type share struct {
		phase int
		part  float64
	}
	var shares [maxBlockSectors + 1]share
	best := 0.0
	for n := minBlockSectors; n <= maxBlockSectors && 6*n <= len(leaps); n++ {
		for p := range n {
			sum := 0.0
			for i := p; i < len(leaps); i += n {
				sum += leaps[i]
			}
			if sum > shares[n].part*total {
				shares[n] = share{p, sum / total}
			}
		}
		best = max(best, shares[n].part-2/float64(n))
	}
	// Of any distance n, one place in n collects that share of all leaps by chance, and the best of
	// the n places about twice as much. What is above it says something from a tenth on, and the
	// longest distance that says nearly as much as the best is the block: by hand, no source.
	for n := maxBlockSectors; n >= minBlockSectors; n-- {
		if s := shares[n]; best > 0.2 && s.part-2/float64(n) > 0.1 && s.part >= 0.8*(best+2/float64(n)) {
			return n, s.phase, true
		}
	}
	return 0, 0, false
}

// restFits tells whether nothing speaks against bytes at the end of a run: they are blank, or
// quiet tracks.
func (f *finder) restFits(r reading, at, end int64) (bool, error) {
	size := int64(f.src.SectorSize())
	buf := make([]byte, blockBytes)
	for at = (at + size - 1) / size * size; at < end; at += blockBytes {
		b, err := f.read(buf[:min(blockBytes, end-at)], at)
		if err != nil {
			return false, err
		}
		if b == nil || constant(b) {
			continue
		}
		v := f.judge.fit(r, b, at)
		if v.gain() < barBad || v.gain() < barGood && v.bits > barRest*float64(v.bytes) {
			return false, nil
		}
	}
	return true, nil
}

// snap puts the edges of a run at edges of blocks: at its start the nearest, at its end where
// every track has its last block, if nothing speaks against what is added there.
func (f *finder) snap(r reading, t tracks, start, end, limit int64) (int64, int64, error) {
	into := mod(start-t.at, t.block)
	start -= into
	if into > t.block/2 || start < f.from || len(f.runs) > 0 && start < f.runs[len(f.runs)-1].End() {
		start += t.block
	}
	group := t.block * int64(t.channels)
	whole := start + (end-start)/group*group
	if up := whole + group; end > whole && up <= limit {
		rest, err := f.restFits(r, end, up)
		if err != nil || rest || up-end < t.block {
			return start, up, err
		}
	}
	return start, whole, nil
}
