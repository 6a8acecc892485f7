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
	unframed  int64 // bytes before the next block that were not searched for frames
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
	for i := int64(0); i < int64(len(b)); {
		i = max(i, min((f.end-at+n-1)/n*n, int64(len(b))))
		part := b[i:]
		part = part[:min(int64(len(part)), blockBytes-(at+i)%blockBytes)]
		if len(part) == 0 {
			break
		}
		v, fits := f.confirm(part, at+i)
		run, ok := f.begins(b, i, int64(len(part)), at, end, fits)
		if ok {
			// What is before it comes first.
			part = part[:max(0, min(int64(len(part)), run.Start/n*n-at-i))]
			v, fits = f.confirm(part, at+i)
		}
		if err := f.block(part, at+i, v, fits); err != nil {
			return err
		}
		if i += int64(len(part)); !ok {
			continue
		}
		if err := errors.Join(f.finish(run.Start), f.emit(run.Start)); err != nil {
			return err
		}
		f.next = nil
		f.runs = append(f.runs, run)
		f.end = run.End()
	}
	return nil
}

// begins returns the first container or chain of frames that begins in the n bytes from b[i]
// on; b begins at byte at. Bytes that go on with the run of samples that is open hold no
// frames, but the block before the first that does not may end with some.
func (f *finder) begins(b []byte, i, n, at, end int64, fits bool) (run Run, ok bool) {
	size := int64(f.src.SectorSize())
	to := i + n
	for k := i + mod(-at-i, size); k < to && !ok; k += size {
		if !mayBegin(b[k]) {
			continue
		}
		for _, m := range magics {
			if !bytes.HasPrefix(b[k:], m.text) {
				continue
			}
			if run, ok = f.container(at+k, end, m); ok {
				to = k
				break
			}
		}
	}
	if fits {
		f.unframed = min(n, blockBytes)
		return run, ok
	}
	from := max(0, i-f.unframed)
	f.unframed = 0
	if first, ok := f.frames(b[from:], to-from, at+from, end); ok {
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
