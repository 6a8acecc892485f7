package safety

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/safety/receipt"
)

// Trick is how a card pretends to be larger than it is.
type Trick string

// What a capacity test finds.
const (
	Honest  Trick = "honest"
	Repeats Trick = "repeats" // its upper part is its lower part again
	Forgets Trick = "forgets" // what is written to its upper part is not there
	Waits   Trick = "waits"   // the first half of a test is done: the card is to be pulled
)

// Capacity is what a capacity test found.
type Capacity struct {
	Trick   Trick
	Sectors disk.Sector // as the card says
	Real    disk.Sector // at most so many can be relied on; Sectors if honest
	Bad     disk.Sector // tested sectors that gave back something else
	Unread  disk.Sector // places that could not be read, and so were not tested
	Tested  disk.Sector
	Written disk.Sector // restoring included
	Receipt string
	Pulled  bool // it was without power between writing and reading
}

// probes is how many sectors the quick test writes. Each is written again when
// it is restored, so fewer than 1,000 are written in all: by hand, no source, for a
// test that takes seconds and wears nothing out.
const probes = 490

// quickGrid returns the sectors that the quick test writes: a grid over the
// whole card that keeps out of the first 1 MiB, and the last sector. gap is the
// distance of neighbours.
func quickGrid(drive plan.Size) (grid []disk.Sector, gap disk.Sector) {
	first := min(disk.Sector(plan.Edge/drive.SectorSize), drive.Sectors/2)
	gap = max(1, (drive.Sectors-first+probes-3)/(probes-2))
	for at := first; at < drive.Sectors-1; at += gap {
		grid = append(grid, at)
	}
	return append(grid, drive.Sectors-1), gap
}

func gridSpans(grid []disk.Sector) (out disk.Spans) {
	for _, s := range grid {
		out = out.Add(disk.Span{Start: s, Count: 1})
	}
	return out
}

// TestQuick looks whether the card is as large as it says. It writes a stamp to
// some 500 sectors, reads them back, and reads a stretch at the end of the card
// as long as the distance of two stamps, and the start. Then it puts back what
// was there. What it replaces is in the receipt first.
//
// This finds every card that drops what is written beyond its real size, and
// every card whose addresses begin again at a real size S, whatever S is: the
// stretch at the end is then a stretch of the lower part, which holds a stamp
// that does not belong there; or that stamp was replaced by a later one, which
// its own place shows.
//
// It does not find a card that keeps what was written last in a memory until
// its power goes. With Pull in the request the test has two halves: the first
// ends with Waits and leaves the stamps there, and the second, after the card
// was pulled, reads them.
func (p *Permit) TestQuick(ctx context.Context) (Capacity, error) {
	if err := p.take(receipt.QuickTest); err != nil {
		return Capacity{}, err
	}
	grid, gap := quickGrid(p.req.Disk)
	t := &tester{applier: newApplier(ctx, p), grid: grid, gap: gap}
	run := t.run
	if p.receipt != nil {
		run = t.secondRun
	}
	c, err := run()
	if err != nil {
		return Capacity{}, t.stopped(err)
	}
	return c, nil
}

// tester is one quick test.
type tester struct {
	*applier
	grid    []disk.Sector
	gap     disk.Sector
	nonce   receipt.Mark // of the receipt: by its stamps it knows its card
	old     []byte       // of the grid, sector after sector
	head    []byte       // of the first sectors, as they were; zeros where they cannot be read
	unread  disk.Spans
	written disk.Sector

	bad   []disk.Sector // tested places that do not hold their own stamp
	moved []disk.Sector // distances between where a stamp was put and where it is as well
	upset bool          // the start of the card changed

	leave map[disk.Sector]bool // places that are not put back: no stamp lies there any more
}

func (t *tester) run() (c Capacity, err error) {
	t.stage = receipt.StageKeep
	if err := t.readOld(); err != nil {
		return c, err
	}
	if err := t.newReceipt(gridSpans(t.grid), receipt.Header{All: true}); err != nil {
		return c, err
	}
	t.nonce = t.id // by its stamps the receipt knows its card
	defer func() {
		if e := t.out.File.Close(); err == nil {
			err = e
		}
	}()
	if err := t.lookAgain(); err != nil {
		return c, err
	}
	err = t.begin(receipt.StageData)
	if err == nil {
		err = t.test()
	}
	if c = t.verdict(); err == nil && t.req.Pull && c.Trick == Honest {
		c.Trick = Waits
		return c, t.out.Stage(receipt.StagePull, 0)
	}
	// Put back after an error too: what the test replaced belongs to somebody.
	if e := t.restore(); e != nil {
		return c, errors.Join(err, t.notRestored(e))
	}
	t.restored = true
	if err != nil { // there is nothing left to undo
		return c, errors.Join(err, t.out.Stage(receipt.StageDone, 0))
	}
	return t.verdict(), t.out.Stage(receipt.StageDone, 0)
}

func (t *tester) notRestored(err error) error {
	return fmt.Errorf("what the card held was not put back everywhere; the receipt %s has it, and undo brings it back: %w",
		t.req.Receipt, err)
}

// readOld reads what the test will replace, and the start of the card. A place
// that cannot be read is not tested: what it held could not be put back.
func (t *tester) readOld() error {
	b := make([]byte, t.n)
	var grid []disk.Sector
	t.old = make([]byte, 0, len(t.grid)*int(t.n))
	for _, s := range t.grid {
		bad, err := readSteady(t.dev, b, disk.Span{Start: s, Count: 1}, mostBad-int(t.unread.Sectors()))
		if err != nil {
			return err
		}
		if t.unread = t.unread.Union(bad); len(bad) == 0 {
			grid, t.old = append(grid, s), append(t.old, b...)
		}
	}
	if len(grid) == 0 {
		return errors.New("no place of the card that would be tested can be read")
	}
	t.setGrid(grid)
	head := disk.Span{Count: min(disk.Sector(plan.Edge)/disk.Sector(t.n), t.grid[0])}
	t.head = make([]byte, int64(head.Count)*t.n)
	bad, err := readSteady(t.dev, t.head, head, mostBad)
	t.unread = t.unread.Union(bad)
	return err
}

// setGrid takes the places that are really tested. gap becomes the longest way
// without one: as much of the end is read.
func (t *tester) setGrid(grid []disk.Sector) {
	t.grid = grid
	for i, s := range grid[1:] {
		t.gap = max(t.gap, s-grid[i])
	}
	t.gap = max(t.gap, t.req.Disk.Sectors-grid[len(grid)-1])
}

func (t *tester) place(b []byte, i int) []byte { return b[int64(i)*t.n : int64(i+1)*t.n] }

// stamp fills a sector that belongs to one place in one test.
func (t *tester) stamp(b []byte, s disk.Sector) {
	stamp(b, t.nonce[:], s)
	sum := sha256.Sum256(b[:stampSize])
	for i := stampSize; i < len(b); i += copy(b[i:], sum[:]) {
		sum = sha256.Sum256(sum[:])
	}
}

func (t *tester) test() error {
	b := make([]byte, t.n)
	for i, s := range t.grid {
		t.stamp(b, s)
		if err := t.writeSector(b, s); err != nil {
			return err
		}
		t.step(i)
	}
	if err := t.flush(); err != nil {
		return err
	}
	want := make([]byte, t.n)
	for _, s := range t.grid {
		if err := image.ReadFull(t.dev, b, int64(s)*t.n); err != nil {
			return err
		}
		if t.stamp(want, s); !bytes.Equal(b, want) {
			t.bad = append(t.bad, s)
			t.note(b, s)
		}
	}
	now := make([]byte, len(t.head))
	if _, err := readSteady(t.dev, now, disk.Span{Count: disk.Sector(int64(len(now)) / t.n)}, mostBad); err != nil {
		return err
	}
	t.upset = !bytes.Equal(now, t.head)
	return t.readEnd()
}

// note remembers a stamp that lies where another one belongs.
func (t *tester) note(b []byte, at disk.Sector) {
	if s, ok := stampOf(b, t.nonce[:]); ok && s != at {
		t.moved = append(t.moved, max(s-at, at-s))
	}
}

// readEnd reads the last sectors of the card, as many as lie between stamps and
// before the first one.
func (t *tester) readEnd() error {
	buf := make([]byte, bufferSize)
	length := int64(min(t.gap+t.grid[0], t.req.Disk.Sectors)) * t.n
	for off := t.dev.Size() - length; off < t.dev.Size(); {
		b := buf[:min(bufferSize, t.dev.Size()-off)]
		if err := t.ctx.Err(); err != nil {
			return context.Cause(t.ctx)
		}
		part := disk.Between(disk.Sector(off/t.n), disk.Sector((off+int64(len(b)))/t.n))
		bad, err := readSteady(t.dev, b, part, mostBad-int(t.unread.Sectors()))
		if err != nil {
			return err
		}
		t.unread = t.unread.Union(bad)
		for i := int64(0); i < int64(len(b)); i += t.n {
			t.note(b[i:i+t.n], disk.Sector((off+i)/t.n))
		}
		off += int64(len(b))
	}
	return nil
}

func (t *tester) writeSector(b []byte, s disk.Sector) error {
	t.written++
	return t.write(b, int64(s)*t.n)
}

func (t *tester) step(i int) {
	if t.req.Progress != nil {
		t.req.Progress(t.stage, int64(i+1)*t.n, int64(len(t.grid))*t.n)
	}
}

// restore puts back what the test replaced. Every place was read before the
// first write, so that places which are really the same get the same bytes.
// It goes on after an error: each sector that is put back is one less to lose.
func (t *tester) restore() error {
	t.ctx = context.WithoutCancel(t.ctx)
	var errs []error
	for i, s := range t.grid {
		if t.leave[s] {
			continue
		}
		if err := t.writeSector(t.place(t.old, i), s); err != nil {
			errs = append(errs, err)
			if isGone(err) {
				break
			}
		}
	}
	errs = append(errs, t.flush())
	if err := errors.Join(errs...); err != nil {
		return err
	}
	b := make([]byte, t.n)
	for i, s := range t.grid {
		if t.leave[s] || slices.Contains(t.bad, s) { // nothing stays where nothing is
			continue
		}
		if err := image.ReadFull(t.dev, b, int64(s)*t.n); err != nil {
			return err
		}
		if !bytes.Equal(b, t.place(t.old, i)) {
			return &DifferentError{Stage: t.stage, Unequal: 1, Differences: []Difference{{Sector: s}}}
		}
	}
	return nil
}

func isGone(err error) bool { return (&Stopped{Err: err}).Gone() }

// verdict says what the places that failed mean.
func (t *tester) verdict() Capacity {
	n := t.req.Disk.Sectors
	c := Capacity{Trick: Honest, Sectors: n, Real: n, Bad: disk.Sector(len(t.bad)),
		Unread: t.unread.Sectors(), Tested: disk.Sector(len(t.grid)), Written: t.written, Receipt: t.req.Receipt}
	switch {
	case len(t.moved) > 0: // every distance is a multiple of the real size
		c.Trick, c.Real = Repeats, 0
		for _, d := range t.moved {
			c.Real = gcd(c.Real, d)
		}
	case t.upset:
		c.Trick, c.Real = Repeats, n-1
	case len(t.bad) > 0:
		c.Trick, c.Real = Forgets, t.bad[0]
	}
	return c
}

func gcd(a, b disk.Sector) disk.Sector {
	for b > 0 {
		a, b = b, a%b
	}
	return a
}
