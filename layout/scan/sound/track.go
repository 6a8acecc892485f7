package sound

import (
	"bootgraft/image"
	"bootgraft/image/disk"
)

// A run is open from the second block on that is sound under one reading, and until
// maxBad blocks are not, or silenceSeconds pass without any. By hand, no source.
const (
	maxBad         = 3
	lookEach       = 4  // the best reading is looked for anew in the first good blocks,
	lookAgain      = 32 // and then after so many
	silenceSeconds = 10
)

// open is a run of blocks that is still growing.
type open struct {
	reading
	start, end int64 // of blocks that fit, bytes of the disk
	floor      int64 // it cannot begin before
	bad, good  int   // blocks since the last that fits, and blocks that fit
	bits       float64
	usual      float64 // gain of its blocks, the later ones more

	// What a closer look said of the pieces that it measured.
	null, left float64 // code lengths
	measured   int     // bytes
	rival      guess   // the next best reading
}

// silence is how many bytes without sound may lie inside the run.
func (o *open) silence() int64 {
	return silenceSeconds * int64(UsualRates[0]) * o.Frame()
}

// confirm tells whether a block goes on with the run that is open, and what was measured of it
// under its reading.
func (f *finder) confirm(b []byte, at int64) (v verdict, fits bool) {
	if f.now == nil || isBlank(b) {
		return v, false
	}
	v = f.judge.fit(f.now.reading, b, at)
	return v, v.gain() >= barGood && f.judge.moves(v.reading, b, at)
}

// block decides about one block of the disk at byte at, of which confirm says v and fits.
func (f *finder) block(b []byte, at int64, v verdict, fits bool) error {
	if len(b) < pieceBytes {
		return nil
	}
	if f.now != nil && at-f.now.end > f.now.silence() {
		if err := f.finish(at); err != nil {
			return err
		}
	}
	if isBlank(b) {
		return nil
	}
	if f.now == nil {
		return f.begin(b, at)
	}
	switch {
	case v.bytes == 0:
		return nil
	case fits && !f.now.unusual(v) && f.next == nil && !f.now.due():
		f.now.grow(v, at+int64(len(b)))
		return nil
	case !fits && v.gain() >= barBad && v.gain() < barGood && v.bits/float64(v.bytes) < barRest:
		return nil
	}
	if other, ok := f.judge.best(b, at); ok && other.reading != v.reading && v.bits-other.bits > barGood*float64(v.bytes) {
		f.now.bad++
		if err := f.second(other, b, at); err != nil {
			return err
		}
	} else {
		f.next = nil
		if fits {
			f.now.grow(v, at+int64(len(b)))
		} else {
			f.now.bad++
		}
	}
	if f.now != nil && f.now.bad >= maxBad && f.next == nil {
		return f.finish(at + int64(len(b)))
	}
	return nil
}

// grow takes one more block into the run.
func (o *open) grow(v verdict, end int64) {
	o.end, o.bad, o.good = end, 0, o.good+1
	o.bits += v.null - v.bits
	o.usual += (v.gain() - o.usual) / 8
}

// due tells whether it is time to look whether another reading is better.
func (o *open) due() bool { return o.good < lookEach || o.good%lookAgain == 0 }

// unusual tells whether a block says much less or much more for the run than those before.
func (o *open) unusual(v verdict) bool { return v.gain() < 0.6*o.usual || v.gain() > 1.6*o.usual }

// begin looks for a reading of a block while no run is open.
func (f *finder) begin(b []byte, at int64) error {
	v, ok := f.judge.best(b, at)
	if !ok {
		f.next = nil
		return nil
	}
	return f.second(v, b, at)
}

// second takes the best reading of a block: the first one is kept, and with the next block
// that agrees a run is open.
func (f *finder) second(v verdict, b []byte, at int64) error {
	if v.gain() < barGood || !f.judge.moves(v.reading, b, at) {
		f.next = nil
		return nil
	}
	end := at + int64(len(b))
	n := f.next
	f.next = &open{reading: v.reading, start: at, end: end, bits: v.null - v.bits}
	if n == nil || at-n.end > blockBytes {
		return nil
	}
	was := v
	if v.reading != n.reading {
		was = f.judge.fit(n.reading, b, at)
	}
	if was.gain() < barGood || was.bits > 1.1*v.bits+float64(v.bytes)/8 {
		return nil
	}
	if err := f.finish(n.start); err != nil {
		return err
	}
	f.now = &open{reading: n.reading, start: n.start, end: end, floor: max(f.end, f.from), good: 2,
		bits: n.bits + was.null - was.bits, usual: was.gain()}
	f.next = nil
	return nil
}

// finish closes the open run, which cannot reach beyond limit, and keeps it if it stands up
// to a closer look. A run that goes on where the last one ended, in the same form, is one
// with it.
func (f *finder) finish(limit int64) error {
	o := f.now
	f.now = nil
	if o == nil {
		return nil
	}
	ok, err := f.settle(o, limit)
	if err != nil || !ok {
		return err
	}
	joined, err := f.goesOn(o)
	if err != nil {
		return err
	}
	if h := f.held; joined {
		h.end, h.bits, h.left, h.null = o.end, h.bits+o.bits, h.left+o.left, h.null+o.null
		h.measured += o.measured
	} else {
		if err := f.emit(o.start); err != nil {
			return err
		}
		f.held = o
	}
	f.end = max(f.end, o.end)
	return nil
}

// goesOn tells whether a run goes on with the one that is held: the same reading, and nothing
// but a little, or silence, between them.
func (f *finder) goesOn(o *open) (bool, error) {
	h := f.held
	if h == nil || h.reading != o.reading || o.start-h.end > h.silence() {
		return false, nil
	}
	if o.start-h.end <= edgeReach {
		return true, nil
	}
	n := int64(f.src.SectorSize())
	silent := true
	between := f.sectors((h.end+n-1)/n*n, o.start/n*n)
	err := image.Runs(f.ctx, f.src, between, image.Visitor{Sector: func(_ disk.Sector, b []byte) {
		silent = silent && constant(b)
	}})
	return silent, err
}

// emit takes down the run that is held; what follows begins at limit.
func (f *finder) emit(limit int64) error {
	o := f.held
	f.held = nil
	if o == nil {
		return nil
	}
	run, ok, err := f.run(o, limit)
	if err != nil || !ok {
		return err
	}
	run.setMissing(f.src)
	f.runs = append(f.runs, run)
	f.end = max(f.end, run.End())
	return nil
}

// sectors returns the sectors of [start, end) bytes.
func (f *finder) sectors(start, end int64) disk.Span {
	n := int64(f.src.SectorSize())
	return disk.Between(disk.Sector(start/n), disk.Sector((end+n-1)/n))
}
