package sound

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Options says how to look.
type Options struct {
	Rate  int               // of samples with nothing around them, 0 for the first of UsualRates
	Moved func(disk.Sector) // how many sectors further the search is; may be nil
}

// step is how much is read at once, in bytes.
const step = 1 << 20

// Find returns the runs of sound in the given spans of a disk, in their order. Missing
// sectors are no error; holes are not read.
func Find(ctx context.Context, src image.Source, spans []disk.Span, opt Options) ([]Run, error) {
	f := &finder{ctx: ctx, src: src, opt: opt, buf: make([]byte, step), views: map[image.Order]*view{}}
	for _, s := range disk.NewSpans(spans...).Within(image.Whole(src)) {
		if err := f.span(s); err != nil {
			return nil, err
		}
	}
	return f.runs, nil
}

type finder struct {
	ctx   context.Context
	src   image.Source
	opt   Options
	buf   []byte
	room  []byte // of stretches that are read again
	runs  []Run
	end   int64 // of the last run: what lies before is found already
	from  int64 // where the span begins
	views map[image.Order]*view
	judge
	now, next *open // the run that is open, and what may become the next one
	held      *open // the last run, which the next one may go on
}

func (f *finder) moved(n disk.Sector) {
	if f.opt.Moved != nil {
		f.opt.Moved(n)
	}
}

// span looks through one run of sectors.
func (f *finder) span(s disk.Span) error {
	n := int64(f.src.SectorSize())
	end := int64(s.End()) * n
	f.from = int64(s.Start) * n
	for at := f.from; at < end; {
		if err := f.ctx.Err(); err != nil {
			return err
		}
		from, to := image.NextData(f.src, at)
		from = max(from/n*n, at)
		if from >= end || from >= to {
			f.moved(disk.Sector((end - at) / n))
			break
		}
		to = min(end, (to+n-1)/n*n, from/step*step+step)
		f.moved(disk.Sector((from - at) / n))
		run := f.sectors(from, to)
		for _, known := range image.Unknown(f.src, run).Outside(run) {
			if err := f.look(known, end); err != nil {
				return err
			}
		}
		f.moved(run.Count)
		at = to
	}
	f.next = nil
	return errors.Join(f.finish(end), f.emit(end))
}

// look looks for what begins in one run of known sectors; nothing reaches further than end.
func (f *finder) look(s disk.Span, end int64) error {
	n := int64(f.src.SectorSize())
	at := int64(s.Start) * n
	if at+int64(s.Count)*n <= f.end {
		return nil
	}
	b := f.buf[:int64(s.Count)*n]
	if err := image.ReadFull(f.src, b, at); err != nil {
		return fmt.Errorf("reading %s: %w", s.Text(), err)
	}
	done := int64(0)
	for {
		skip := max(0, min(f.end-at, int64(len(b))))
		run, ok := f.begins(b[skip:], at+skip, end)
		if !ok {
			return f.blocks(b[done:], at+done)
		}
		// What is before it comes first.
		before := min(max(done, run.Start/n*n-at), int64(len(b)))
		if err := f.blocks(b[done:before], at+done); err != nil {
			return err
		}
		if err := errors.Join(f.finish(run.Start), f.emit(run.Start)); err != nil {
			return err
		}
		f.next = nil
		f.runs = append(f.runs, run)
		f.end = run.End()
		done = before
	}
}

// begins returns the first container or chain of frames that begins in b, at byte at.
func (f *finder) begins(b []byte, at, end int64) (run Run, ok bool) {
	n := f.src.SectorSize()
	for i := int(mod(-at, int64(n))); i < len(b); i += n {
		if !mayBegin(b[i]) {
			continue
		}
		for _, m := range magics {
			if !bytes.HasPrefix(b[i:], m.text) {
				continue
			}
			if run, ok = f.container(at+int64(i), end, m); ok {
				b = b[:i]
				break
			}
		}
		if ok {
			break
		}
	}
	if first, ok := f.frames(b, at, end); ok {
		return first, true
	}
	return run, ok
}

// Sounds tells whether a sample of a disk, of 64 KiB or a little more, is likely to be of a
// recording. It is for who decides what is read next: less evidence than Find asks for.
func Sounds(ctx context.Context, src image.Source, sample disk.Span) (bool, error) {
	runs, err := Find(ctx, src, []disk.Span{sample}, Options{})
	if err != nil || len(runs) > 0 {
		return len(runs) > 0, err
	}
	n := int64(src.SectorSize())
	j := &judge{}
	for _, known := range image.Unknown(src, sample).Outside(sample) {
		b := make([]byte, min(int64(known.Count)*n, blockBytes))
		at := int64(known.Start) * n
		if err := image.ReadFull(src, b, at); err != nil {
			return false, err
		}
		v, ok := j.best(b, at)
		if !ok || v.gain() < v.bar() || !j.moves(v.reading, b, at) {
			continue
		}
		x, _ := v.samples(nil, b, at)
		if v.Width > 1 || len(x) < 8*longestRow*v.Channels || !rowsIn(x, v.Channels) {
			return true, nil
		}
	}
	return false, nil
}
