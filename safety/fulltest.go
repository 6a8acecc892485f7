package safety

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/binary"
	"errors"
	chacha "math/rand/v2"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety/receipt"
)

// TestFull writes every sector of the card and reads every sector back. What
// the card held is lost, but for what the receipt keeps: the tables, or with
// KeepAll everything. It leaves a card with blank ends behind.
func (p *Permit) TestFull(ctx context.Context) (Capacity, error) {
	if err := p.take(receipt.FullTest); err != nil {
		return Capacity{}, err
	}
	p.req.Pieces = wholeCard(p.req.Disk)
	t := &fullTester{applier: newApplier(ctx, p), have: make([]byte, bufferSize)}
	c, err := t.run()
	if err != nil {
		return Capacity{}, t.stopped(err)
	}
	return c, nil
}

// wholeCard is a card whose every sector is written.
func wholeCard(drive plan.Size) []layout.Piece {
	return []layout.Piece{{Span: disk.Span{Count: drive.Sectors}, Op: layout.Zero, Why: layout.WhyExcess}}
}

type fullTester struct {
	*applier
	key   [32]byte
	have  []byte      // what was read back, a block of it
	bad   disk.Sector // sectors that gave back something else
	first disk.Sector // the first of them
	other bool        // one of them held what belongs elsewhere
	real  disk.Sector // divides every distance of such sectors
}

func (t *fullTester) run() (c Capacity, err error) {
	if _, err := rand.Read(t.key[:]); err != nil {
		return c, err
	}
	t.stage = receipt.StageKeep
	kept := t.fence
	if t.req.KeepAll {
		kept = disk.NewSpans(disk.Span{Count: t.req.Disk.Sectors})
	}
	if t.looked != nil { // what cannot be read cannot be kept
		kept = without(kept, t.looked.bad...)
	}
	if err := t.newReceipt(kept, receipt.Header{Fence: t.fence, All: t.req.KeepAll}); err != nil {
		return c, err
	}
	defer func() {
		if e := t.out.File.Close(); err == nil {
			err = e
		}
	}()
	copy(t.key[:], t.id[:]) // by its stamps the receipt knows its card
	if err := t.lookAgain(); err != nil {
		return c, err
	}
	if err := t.begin(receipt.StageData); err != nil {
		return c, err
	}
	if err := t.pass(receipt.StageData, t.writeBlock); err != nil {
		return c, err
	}
	if err := t.flush(); err != nil {
		return c, err
	}
	// Read only when all is written: a card that repeats its lower part holds each block
	// until the one that comes over it.
	if err := t.pass(receipt.StageBack, t.readBlock); err != nil {
		return c, err
	}
	var different *DifferentError
	// The noise must not be taken for a disk. On a card that is bad the fence may fail.
	if err := t.raiseFence(); err != nil && !(t.bad > 0 && (errors.As(err, &different) || isBad(err))) {
		return c, err
	}
	return t.verdict(), t.out.Stage(receipt.StageDone, 0)
}

// pass visits the card from start to end, in blocks of 1 MiB.
func (t *fullTester) pass(s receipt.Stage, visit func(want []byte, off int64) error) error {
	t.stage = s
	total := int64(t.req.Disk.Sectors) * t.n
	buf := make([]byte, bufferSize)
	for off := int64(0); off < total; off += bufferSize {
		if t.ctx.Err() != nil {
			return context.Cause(t.ctx)
		}
		want := buf[:min(bufferSize, total-off)]
		t.pattern(want, off)
		if err := visit(want, off); err != nil {
			return err
		}
		if t.req.Progress != nil {
			t.req.Progress(s, off+int64(len(want)), total)
		}
	}
	return nil
}

// pattern is noise that is different in every block, with a stamp at the start
// of each sector.
func (t *fullTester) pattern(b []byte, off int64) {
	key := t.key
	binary.BigEndian.PutUint64(key[:], binary.BigEndian.Uint64(key[:])^uint64(off))
	chacha.NewChaCha8(key).Read(b)
	for i := int64(0); i < int64(len(b)); i += t.n {
		stamp(b[i:], t.key[:], disk.Sector((off+i)/t.n))
	}
}

func (t *fullTester) writeBlock(want []byte, off int64) error { return t.write(want, off) }

func (t *fullTester) readBlock(want []byte, off int64) error {
	have := t.have[:len(want)]
	part := disk.Between(disk.Sector(off/t.n), disk.Sector((off+int64(len(want)))/t.n))
	if _, err := readSteady(t.dev, have, part, mostBad); err != nil { // one that cannot be read is bad as well
		return err
	}
	if bytes.Equal(have, want) {
		return nil
	}
	for i := int64(0); i < int64(len(want)); i += t.n {
		b := have[i : i+t.n]
		if bytes.Equal(b, want[i:i+t.n]) {
			continue
		}
		at := disk.Sector((off + i) / t.n)
		if t.bad++; t.bad == 1 {
			t.first = at
		}
		if s, ok := stampOf(b, t.key[:]); ok && s != at {
			t.other, t.real = true, gcd(t.real, max(s-at, at-s))
		}
	}
	return nil
}

func (t *fullTester) verdict() Capacity {
	n := t.req.Disk.Sectors
	c := Capacity{Trick: Honest, Sectors: n, Real: n, Bad: t.bad, Tested: n, Written: n, Receipt: t.req.Receipt}
	switch {
	case t.other:
		c.Trick, c.Real = Repeats, t.real
	case t.bad > 0:
		c.Trick, c.Real = Forgets, t.first
	}
	return c
}

// Boundary returns where partitions and the data of their volumes should begin
// on a flash card, in bytes: a multiple of the unit in which it erases, if that
// is known, and of the boundary unit for cards of this size. These units are
// those of SD Specifications Part 2, quoted from memory: that text is not public.
func Boundary(disk plan.Size, erase int64) int64 {
	bytes := int64(disk.Sectors) * int64(disk.SectorSize)
	unit := int64(64 << 20)
	for _, row := range []struct{ most, unit int64 }{
		{8 << 20, 8 << 10}, {64 << 20, 16 << 10}, {256 << 20, 32 << 10}, {2 << 30, 64 << 10},
		{32 << 30, 4 << 20}, {128 << 30, 16 << 20}, {512 << 30, 32 << 20},
	} {
		if bytes <= row.most {
			unit = row.unit
			break
		}
	}
	return max(unit, erase)
}
