package order

import (
	"errors"
	"sync"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// tracer is a source that remembers which sectors were asked for that are not
// known because nobody tried them yet. What the drive failed to give is not
// worth naming again.
type tracer struct {
	image.Source

	mu     sync.Mutex
	missed disk.Spans
	noting bool
	seen   []disk.Span // what was read while noting
}

// note begins to note also what is read and known.
func (t *tracer) note() { t.noting = true }

// noted returns what was read, and is known, since note was called.
func (t *tracer) noted() disk.Spans {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.noting = false
	return disk.NewSpans(t.seen...)
}

// ReadAt notes the sectors of a read that meets one which is not known.
func (t *tracer) ReadAt(p []byte, off int64) (int, error) {
	n, err := t.Source.ReadAt(p, off)
	var unknown *image.UnknownError
	size := int64(t.SectorSize())
	asked := disk.Between(disk.Sector(off/size), disk.Sector((off+int64(len(p))+size-1)/size))
	if err == nil && t.noting {
		t.mu.Lock()
		t.seen = append(t.seen, asked)
		t.mu.Unlock()
	}
	if errors.As(err, &unknown) {
		t.mu.Lock()
		t.missed = t.missed.Union(t.untried(asked.Common(image.Whole(t.Source))))
		t.mu.Unlock()
	}
	return n, err
}

// untried returns the sectors of a run that were never tried.
func (t *tracer) untried(run disk.Span) disk.Spans {
	var out disk.Spans
	one := make([]byte, t.SectorSize())
	for _, u := range image.Unknown(t.Source, run) {
		for x := u.Start; x < u.End(); x++ {
			_, err := t.Source.ReadAt(one, int64(x)*int64(len(one)))
			var unknown *image.UnknownError
			if errors.As(err, &unknown) && unknown.State == image.Unread {
				out = out.Add(disk.Span{Start: x, Count: 1})
			}
		}
	}
	return out
}

// NextData implements image.Sparse.
func (t *tracer) NextData(off int64) (start, end int64) { return image.NextData(t.Source, off) }

// Unknown implements image.Partial.
func (t *tracer) Unknown(w disk.Span) disk.Spans { return image.Unknown(t.Source, w) }

// take returns what was missed since it was last called.
func (t *tracer) take() disk.Spans {
	t.mu.Lock()
	defer t.mu.Unlock()
	out := t.missed
	t.missed = nil
	return out
}
