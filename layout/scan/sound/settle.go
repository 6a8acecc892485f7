package sound

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"bootgraft/image"
)

// Bars of a whole run. By hand, from invented recordings and decoys.
const (
	minBytes   = 32 << 10 // the shortest run
	minMoved   = 0.1      // of the samples of some channel differ from the one before
	minSeconds = 0.2
	minBits    = 64   // evidence beyond chance
	barRun     = 0.25 // bits for each byte that was measured of a whole run
	maxDrift   = 0.25 // of the energy may lie below 20 Hz: there are pictures, counters and lists
	maxOffset  = 1.0 / 32
	noiseLane  = 0.985 // of its bits: a channel that nothing foretells
	noisePrice = 0.1   // what such a channel costs a reading, bits a bit
)

// read returns the bytes that fill buf at byte at of the disk, nil if any of them is missing.
// What is not stored is zeros, and not read.
func (f *finder) read(buf []byte, at int64) ([]byte, error) {
	end := at + int64(len(buf))
	for pos := at; pos < end; {
		from, to := image.NextData(f.src, pos)
		from, to = min(max(from, pos), end), min(to, end)
		clear(buf[pos-at : from-at])
		if from < to {
			if err := image.ReadFull(f.src, buf[from-at:to-at], from); err != nil {
				var u *image.UnknownError
				if errors.As(err, &u) {
					return nil, nil
				}
				return nil, err
			}
		}
		pos = max(to, from)
	}
	return buf, nil
}

// sample reads up to n stretches of long bytes spread over [start, end), each at the edge
// of a sector and half over the next at most, and leaves out what is missing, not stored, or of one byte alone.
func (f *finder) sample(start, end, long int64, n int, visit func(b []byte, at int64)) error {
	size := int64(f.src.SectorSize())
	start = (start + size - 1) / size * size
	if end-start < long {
		long = (end - start) / size * size
	}
	if long <= 0 {
		return nil
	}
	if int64(cap(f.room)) < long {
		f.room = make([]byte, long)
	}
	n = int(min(int64(n), 2*(end-start)/long-1))
	for i := range n {
		at := start
		if n > 1 {
			at += (end - start - long) / int64(n-1) / size * size * int64(i)
		}
		b, err := f.read(f.room[:long], at)
		if err != nil {
			return err
		}
		if b != nil && !constant(b) {
			visit(b, at)
		}
	}
	return nil
}

// settle looks at all of a run again: which reading says most for it, whether what it
// reads moves as sound does, and where it begins and ends.
func (f *finder) settle(o *open, limit int64) (ok bool, err error) {
	best, next, v, err := f.choose(o)
	if err != nil || v.bytes == 0 || v.gain() < best.bar() {
		return false, err
	}
	// Where another reading opened the run, something else may be in front of it.
	same := best == o.reading
	o.reading = best
	if same {
		if like, err := f.soundsLike(o); err != nil || !like {
			return false, err
		}
	}
	o.usual = v.gain()
	o.null, o.left, o.measured, o.rival = v.null, v.bits, v.bytes, next
	start, end := o.start, o.end
	if o.start, o.end, err = f.edges(o, limit); err != nil || o.end-o.start < minBytes {
		return false, err
	}
	// Where much was cut off or added, what is left may be of that.
	if !same || abs(o.start-start)+abs(o.end-end) > (o.end-o.start)/4 {
		return f.soundsLike(o)
	}
	return true, nil
}

// run makes a Run of one that stood up to everything.
func (f *finder) run(o *open, limit int64) (run Run, ok bool, err error) {
	format, start, end, unit := o.Format, o.start, o.end, o.Frame()
	if o.Channels == 1 {
		t, ok, err := f.tracks(o)
		if err != nil {
			return run, false, err
		}
		if ok {
			if start, end, err = f.snap(o.reading, t, start, end, limit); err != nil {
				return run, false, err
			}
			format.Channels, format.Block = t.channels, t.block
			unit = t.block * int64(t.channels)
		}
	}
	count := max(0, end-start) / unit * unit
	format.Rate = f.opt.Rate
	if format.Rate == 0 {
		format.Rate = UsualRates[0]
	}
	run = Run{Start: start, Count: count, Data: Range{start, count}, Kind: PCM, Format: format, RateGuessed: true}
	run.Seconds = float64(count) / float64(format.Frame()) / float64(format.Rate)
	run.Evidence = math.Round(max(o.bits, o.null-o.left) - chanceBits(start))
	if count < minBytes || run.Seconds < minSeconds || run.Evidence < minBits {
		return run, false, nil
	}
	per := float64(o.measured)
	run.Why = fmt.Sprintf("each sample follows from the ones before it in its channel: %.1f of 8 bits a byte are left, "+
		"where the bytes one by one leave %.1f and the next best reading (%s) leaves %.1f",
		o.left/per, o.null/per, o.rival.reading, o.rival.bits/per)
	return run, true, nil
}

// soundsLike tells whether a run moves as sound does, and not like a picture. Its outer
// blocks may be half of something else.
func (f *finder) soundsLike(o *open) (bool, error) {
	start, end := o.inner()
	moves, err := f.movement(o.reading, start, end)
	if err != nil {
		return false, err
	}
	// Three channels are colours: two bytes of different ones read as 16 bits as well.
	if like := moves.sound(o.reading); !like || o.Width > 1 && o.Channels != 3 {
		return like, nil
	}
	rows, err := f.rows(o)
	return !rows, err
}

// inner returns a run without its outer blocks, if enough is left.
func (o *open) inner() (start, end int64) {
	if o.end-o.start < 6*blockBytes { // two blocks less would be more than a third of it
		return o.start, o.end
	}
	return o.start + blockBytes, o.end - blockBytes
}

// bar is what a reading must give over the whole of a run, in bits for each byte: more where
// a sample is one byte, as in pictures and tables, or begins at an odd one, as entries of a
// program's tables do.
func (r reading) bar() float64 {
	if r.Width == 1 || r.Width != 3 && r.phase%2 == 1 {
		return 2 * barRun
	}
	return barRun
}

// chanceBits is what the number of readings and of places that were tried gives by chance.
func chanceBits(start int64) float64 {
	return math.Log2(float64(len(tried)*maxLanes)) + math.Log2(float64(start/blockBytes+2))
}

// choose tries readings on a few pieces of the run, the better ones on more, and returns the
// best and the next best that is not the same but for its words.
func (f *finder) choose(o *open) (best reading, next guess, v verdict, err error) {
	all, err := f.pieces(o)
	if err != nil || len(all) == 0 {
		return best, next, v, err
	}
	j := &f.judge
	lags := []lagGuess{{lag: int(o.Frame())}}
	for _, p := range all[:min(lagPieces, len(all))] {
		if j.promising(p.bytes, p.null) {
			lags = append(lags, j.lags...)
		}
	}
	j.lags = lags
	j.found = j.found[:0]
	j.candidates(reading.possible, func(r reading) { j.found = append(j.found, guess{r, r.prior()}) })
	done := 0
	for _, round := range []struct{ upto, keep int }{{3, 60}, {8, 12}, {24, 12}} {
		for ; done < min(round.upto, len(all)); done++ {
			p := all[done]
			for i, g := range j.found {
				// A piece may be of something else, which then is no reason for or against.
				j.found[i].bits += min(p.null, g.fullCost(&j.work, p.bytes, p.at))
			}
			v.null += p.null
			v.bytes += len(p.bytes)
		}
		j.keep(round.keep)
	}
	g := j.found[0]
	v.reading, v.bits = g.reading, g.bits
	return g.reading, j.found[1], v, nil
}

// lagPieces is of how many pieces the lengths of a frame are tried.
const lagPieces = 6

// pieces returns pieces spread over a run, a few that lie far apart first, and last those of
// which the reading that opened it says nothing: they may be of something else.
func (f *finder) pieces(o *open) (all []piece, err error) {
	start, end := o.inner()
	err = f.sample(start, end, 2*pieceBytes, 24, func(b []byte, at int64) {
		all = append(all, piece{slices.Clone(b), at, nullBits(b)})
	})
	slices.SortStableFunc(all, func(a, b piece) int { return cmp.Compare(a.at/512*7919%1009, b.at/512*7919%1009) })
	var last []piece
	all = slices.DeleteFunc(all, func(p piece) bool {
		says := p.null-o.cost(&f.judge.work, p.bytes, p.at) >= barGood*float64(len(p.bytes))
		if !says {
			last = append(last, p)
		}
		return !says
	})
	return append(all, last...), err
}

// piece is bytes of the disk and their code length.
type piece struct {
	bytes []byte
	at    int64
	null  float64
}

// fullCost is cost with a price on channels that nothing foretells: that one channel should
// be noise at full level while the others are music, is more likely two bytes of one
// sample that are taken for two.
func (r reading) fullCost(w *work, b []byte, at int64) float64 {
	bits := r.cost(w, b, at)
	for _, l := range w.lanes[:r.Channels] {
		if full := float64(l.n * 8 * r.Width); l.n > 0 && l.bits > noiseLane*full {
			bits += noisePrice * full
		}
	}
	return bits
}
