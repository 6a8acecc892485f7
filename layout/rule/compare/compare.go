package compare

import (
	"context"
	"errors"
	"fmt"
	"math"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
)

// Area is how much of each end of a disk is compared unless told otherwise,
// in bytes.
const Area = 64 << 20

// Dump is one original. Two dumps with the same Unit, not empty, and the same
// number of sectors are one disk before and after something: what differs
// between them is volatile.
type Dump struct {
	Name   string
	Source image.Source
	Unit   string
}

// Options say how far a comparison goes.
type Options struct {
	Head, Tail disk.Sector // sectors compared at each end; 0: as Area says
	// Progress is told how many sectors of the total were looked at.
	Progress func(done, total disk.Sector)
}

// Comparison is what several originals have in common.
type Comparison struct {
	Rules
	Counts   map[Class]int64 // bytes of the areas by class
	Tried    float64         // fields looked at
	Findings []disk.Finding

	unread  []unread
	content []candidate.Place
	units   []string // of each dump
	sizes   []int64
}

type unread struct {
	candidate.Place
	count disk.Sector
}

// Run compares the boot areas of at least two originals of one model.
func Run(ctx context.Context, dumps []Dump, opt Options) (*Comparison, error) {
	if len(dumps) < 2 {
		return nil, fmt.Errorf("a comparison needs at least two originals, this is %d", len(dumps))
	}
	c := &Comparison{Counts: map[Class]int64{}}
	c.SectorSize = dumps[0].Source.SectorSize()
	for _, d := range dumps {
		if d.Source.SectorSize() != c.SectorSize {
			return nil, fmt.Errorf("%s has sectors of %d bytes, %s of %d: these are not of one model", dumps[0].Name, c.SectorSize, d.Name, d.Source.SectorSize())
		}
		n := image.Sectors(d.Source)
		if n < 4 {
			return nil, fmt.Errorf("%s holds %d sectors: there is nothing to compare", d.Name, n)
		}
		c.Sizes = append(c.Sizes, n)
		c.sizes = append(c.sizes, int64(n))
		c.units = append(c.units, d.Unit)
	}
	slices.Sort(c.Sizes)
	c.areas(opt)
	sheets, err := c.read(ctx, dumps, opt)
	if err != nil {
		return nil, err
	}
	w := &worker{ctx: ctx, dumps: dumps, c: c, sheets: sheets}
	if err := w.run(); err != nil {
		return nil, err
	}
	c.say()
	return c, nil
}

// areas settles how much of each end is compared: at most half the smallest.
func (c *Comparison) areas(opt Options) {
	most := c.Sizes[0] / 2
	area := disk.Sector(Area / c.SectorSize)
	c.Head, c.Tail = opt.Head, opt.Tail
	if c.Head <= 0 {
		c.Head = area
	}
	if c.Tail <= 0 {
		c.Tail = area
	}
	c.Head, c.Tail = min(c.Head, most), min(c.Tail, most)
}

func (c *Comparison) read(ctx context.Context, dumps []Dump, opt Options) ([]*sheet, error) {
	total, done := c.Head+c.Tail, disk.Sector(0)
	r := &reader{ctx: ctx, dumps: dumps, size: c.SectorSize, out: c, moved: func(n disk.Sector) {
		if done += n; opt.Progress != nil {
			opt.Progress(done, total)
		}
	}}
	if err := r.area(layout.FromStart, c.Head); err != nil {
		return nil, err
	}
	if err := r.area(layout.FromEnd, c.Tail); err != nil {
		return nil, err
	}
	if len(r.sheets) >= maxSheets {
		c.Findings = append(c.Findings, disk.Warningf(disk.CompareTooDifferent, disk.NoSector,
			"more than %d sectors of the boot areas differ in a few bytes each; the rest was taken for content. Are these originals of one model?", maxSheets))
	}
	return r.sheets, nil
}

// worker finds the rules.
type worker struct {
	ctx    context.Context
	dumps  []Dump
	c      *Comparison
	sheets []*sheet
	fields []*guess
	tried  float64
	moving map[candidate.Place]bool // sectors that differ between the disks
	rows   rowCache

	lock   sync.Mutex // guards what follows
	failed error      // the first read that failed
}

// fail notes a read that failed while searching. What a disk does not know is
// no failure: there is nothing to try.
func (w *worker) fail(err error) {
	var unknown *image.UnknownError
	if errors.As(err, &unknown) {
		return
	}
	w.lock.Lock()
	defer w.lock.Unlock()
	if w.failed == nil {
		w.failed = err
	}
}

func (w *worker) run() error {
	w.copies()
	if err := w.numbers(); err != nil {
		return err
	}
	w.c.Tried = w.tried
	strong, weak := w.choose()
	w.accept(strong)
	if err := w.checks(); err != nil {
		return err
	}
	w.accept(weak)
	w.doubts()
	w.rest()
	slices.SortFunc(w.c.Fields, func(a, b Field) int { return a.Place.Compare(b.Place) })
	slices.SortFunc(w.c.Checks, func(a, b Check) int { return a.Place.Compare(b.Place) })
	return nil
}

// each calls f for 0 to n-1 on every processor. It returns the error of the
// context, which stops it, or else the first read that failed.
func (w *worker) each(n int, f func(i int)) error {
	var next atomic.Int64
	var group sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		group.Go(func() {
			for w.ctx.Err() == nil {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				f(i)
			}
		})
	}
	group.Wait()
	if err := w.ctx.Err(); err != nil {
		return err
	}
	return w.failed
}

// cost is what the choice among n takes away from what was foretold.
func cost(n float64) float64 { return math.Log2(max(1, n)) }
