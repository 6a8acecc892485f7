package compare

import (
	"cmp"
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
	Bytes    map[Class]int64 // bytes of the areas by class
	Findings []disk.Finding

	steady  disk.Sector // sectors of the tail that are in use, and the same on all
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
	c := &Comparison{Bytes: map[Class]int64{}}
	c.SectorSize = dumps[0].Source.SectorSize()
	for _, d := range dumps {
		if d.Source.SectorSize() != c.SectorSize {
			return nil, fmt.Errorf("%s has sectors of %d bytes, %s of %d: these are not of one model", dumps[0].Name,
				c.SectorSize, d.Name, d.Source.SectorSize())
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
	ends, err := c.find(&worker{ctx: ctx, dumps: dumps}, opt)
	if err == nil && len(ends) > 0 {
		c, err = c.byEnds(ctx, dumps, opt, ends)
	}
	if err != nil {
		return nil, err
	}
	c.say()
	return c, nil
}

// find reads the areas of all disks, the tail before the end that end counts, and
// finds the rules. It stops where some disk may count less than all of its sectors
// and nothing is found at its end, and returns the ends to look at.
func (c *Comparison) find(w *worker, opt Options) (ends []Count, err error) {
	w.c = c
	if w.sheets, err = c.read(w.ctx, w.dumps, opt, w.end); err != nil {
		return nil, err
	}
	return w.run()
}

// byEnds compares with the tail before each end that the device may count: what
// lies there is not found before the last sector. That by which most is found at
// the end stays.
func (c *Comparison) byEnds(ctx context.Context, dumps []Dump, opt Options, ends []Count) (*Comparison, error) {
	var best *Comparison
	for _, end := range ends {
		again := &Comparison{Bytes: map[Class]int64{}, units: c.units, sizes: c.sizes}
		again.SectorSize, again.Sizes, again.Head, again.Tail = c.SectorSize, c.Sizes, c.Head, c.Tail
		if _, err := again.find(&worker{ctx: ctx, dumps: dumps, end: end, final: true}, opt); err != nil {
			return nil, err
		}
		if best == nil || again.atEnd() > best.atEnd() {
			best = again
		}
	}
	return best, nil
}

// atEnd returns how much was found at the end: sectors that are the same on all,
// copies and numbers.
func (c *Comparison) atEnd() disk.Sector {
	n := c.steady
	for i := range c.Copies {
		if c.Copies[i].To.From == layout.FromEnd {
			n += c.Copies[i].Count
		}
	}
	for i := range c.Fields {
		if c.Fields[i].From == layout.FromEnd && c.Fields[i].Bits >= bar {
			n++
		}
	}
	return n
}

// bySize returns the disks, the smallest first.
func (c *Comparison) bySize() []int {
	order := make([]int, len(c.sizes))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(c.sizes[a], c.sizes[b]) })
	return order
}

// oneUnit tells whether two disks of one size are one unit at two times.
func (c *Comparison) oneUnit(a, b int) bool { return c.units[a] != "" && c.units[a] == c.units[b] }

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

func (c *Comparison) read(ctx context.Context, dumps []Dump, opt Options, end Count) ([]*sheet, error) {
	total, done := c.Head+c.Tail, disk.Sector(0)
	r := &reader{ctx: ctx, dumps: dumps, size: c.SectorSize, out: c, end: end, moved: func(n disk.Sector) {
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
			"more than %d sectors of the boot areas differ in a few bytes each; the rest was taken for content. Are these "+
				"originals of one model?", maxSheets))
	}
	return r.sheets, nil
}

// worker finds the rules.
type worker struct {
	ctx    context.Context
	dumps  []Dump
	c      *Comparison
	sheets []*sheet
	end    Count     // before what counted end the tail lies
	final  bool      // no other end is looked at after this
	fits   []*fitter // of the sizes by which numbers are read: some original tells them apart
	fields []*guess
	tried  float64
	rows   rowCache

	weakHits []*sumHit // checksums that may be chance

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

func (w *worker) run() ([]Count, error) {
	w.copies()
	strong, weak, err := w.size(w.tellable())
	if told := w.c.Counts; err == nil && len(told) > 0 && !slices.Contains(told, Count{}) {
		// It counts no sectors: numbers that say little are read by what it counts alone.
		strong, weak, err = w.size(told)
	}
	if err != nil {
		return nil, err
	}
	if ends := w.ends(strong); len(ends) > 0 {
		return ends, nil
	}
	for _, g := range strong {
		w.acceptOne(g, w.bits(g))
	}
	w.relations(weak, 0)
	if err := w.checks(); err != nil {
		return nil, err
	}
	w.acceptWeakChecks(func(h *sumHit) bool {
		return h.evidence() >= bar/2 && !w.ofOneNumber(h) && !slices.ContainsFunc(weak,
			func(g *guess) bool { return h.t.meets(g) && w.bits(g) >= h.evidence() })
	})
	w.acceptWeak(weak)
	w.relations(nil, 0)
	w.acceptWeakChecks(func(*sumHit) bool { return true })
	w.relations(nil, weakRelation)
	if err := w.standing(); err != nil {
		return nil, err
	}
	w.doubts()
	w.rest()
	w.c.rank()
	w.c.doubtAlone()
	slices.SortFunc(w.c.Fields, func(a, b Field) int { return a.Place.Compare(b.Place) })
	slices.SortFunc(w.c.Checks, func(a, b Check) int { return a.Place.Compare(b.Place) })
	return nil, w.failed
}

// size finds the numbers that follow one of some counted sizes, and which of these
// are left.
func (w *worker) size(of []Count) (strong, weak []*guess, err error) {
	w.fits = nil
	for _, c := range of {
		w.fits = append(w.fits, newFitter(w.c.sizes, int64(w.c.SectorSize), c))
	}
	if err := w.numbers(); err != nil {
		return nil, nil, err
	}
	strong, weak = w.choose()
	w.counts(strong, weak)
	return strong, weak, nil
}

// ends returns the ends that have to be looked at one by one, because some disk may
// count less than all of its sectors: none if something is found before the last
// sector of all, or if no size is left that says so.
func (w *worker) ends(strong []*guess) []Count {
	isPlain := func(c Count) bool { return c != Count{} && w.c.plain(c) }
	out := slices.DeleteFunc(slices.Clone(w.c.Counts), isPlain)
	if w.final || w.endSeen(strong) || len(out) == 0 || len(out) == 1 && out[0] == (Count{}) {
		return nil
	}
	return out[:min(len(out), maxEnds)]
}

// maxEnds bounds how many ends are looked at: each takes a comparison of its own.
const maxEnds = 4

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

// cost is what the choice among n takes away from what was predicted.
func cost(n float64) float64 { return math.Log2(max(1, n)) }
