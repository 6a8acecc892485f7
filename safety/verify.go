package safety

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"iter"
	"sync"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// VerifyOptions are the choices of Verify.
type VerifyOptions struct {
	Limit    int                     // most differences to list; the totals count all
	Hash     bool                    // also compute the SHA-256 of the target
	Source   image.Source            // the original, to explain differences with; may be nil
	Name     string                  // what a refusal calls the target
	Progress func(done, total int64) // called after each step, in bytes of the card; may be nil
}

// Verify compares every sector of a target with the planned card. pieces must
// tile the card; what they leave is counted and not compared. What is a hole
// on both sides is not read.
//
// A target of another size is a *Refusal. A sector that cannot be read, on
// either side, is an error that names it. Differences are no error.
func Verify(ctx context.Context, card image.Source, pieces []layout.Piece, target image.Source,
	opt VerifyOptions) (*Comparison, error) {
	if err := checkCard(card, pieces); err != nil {
		return nil, err
	}
	if err := checkSize(card, target, opt.Name); err != nil {
		return nil, err
	}
	v := &verifier{card: card, target: target, runs: cardRuns(card, pieces),
		tally: newTally(pieces, card.SectorSize(), opt)}
	if opt.Hash {
		v.hash = sha256.New()
	}
	v.progress = meter(opt.Progress, int64(v.Compared)*int64(card.SectorSize()))
	if err := v.run(ctx); err != nil {
		return nil, err
	}
	c := v.finish()
	if opt.Hash {
		c.SHA256 = hex.EncodeToString(v.hash.Sum(nil))
	}
	return c, nil
}

func checkSize(card, target image.Source, name string) error {
	if name == "" {
		name = "the target"
	}
	refuse := func(do, why string, args ...any) error {
		return &Refusal{Code: disk.TargetSize, Path: name, Why: fmt.Sprintf(why, args...), Do: do}
	}
	if c, t := card.SectorSize(), target.SectorSize(); c != t {
		return refuse("give --sector-size, or make a plan for it", "its sectors have %d bytes, and those of the plan %d", t,
			c)
	}
	switch c, t := card.Size(), target.Size(); {
	case t < c:
		return refuse("was it cut short? otherwise make a plan for its size", "it has %s, %s less than the plan says",
			disk.Counted(t, "byte"), disk.Grouped(c-t))
	case t > c:
		return refuse("make a plan for its size", "it has %s, %s more than the plan says", disk.Counted(t, "byte"),
			disk.Grouped(t-c))
	}
	return nil
}

// stretch is a part of the card. A side that is known to be zeros is not read.
type stretch struct {
	off, length          int64
	cardZero, targetZero bool
}

func (s stretch) bothZero() bool { return s.cardZero && s.targetZero }

// pair is a stretch with the bytes of both sides.
type pair struct {
	stretch
	want, have       []byte // buffers
	wantErr, haveErr error
	reads            sync.WaitGroup // both readers
}

// verifier reads both sides at the same time and compares behind them. Three
// pairs of buffers go round.
type verifier struct {
	*tally
	card, target image.Source
	runs         iter.Seq[run] // of the card, ascending: what is compared
	hash         hash.Hash     // nil: not wanted
	progress     func(n int64)

	free                      chan *pair
	toCard, toTarget, inOrder chan *pair
}

func (v *verifier) run(parent context.Context) error {
	ctx, stop := context.WithCancelCause(parent)
	defer stop(nil)
	for _, c := range []*chan *pair{&v.free, &v.toCard, &v.toTarget, &v.inOrder} {
		*c = make(chan *pair, bufferCount)
	}
	for range bufferCount {
		v.free <- &pair{want: make([]byte, bufferSize), have: make([]byte, bufferSize)}
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		defer close(v.toCard)
		defer close(v.toTarget)
		defer close(v.inOrder)
		v.divide(ctx)
	})
	wg.Go(func() {
		for p := range v.toCard {
			p.wantErr = readSide(v.card, p.want, p.stretch, p.cardZero)
			p.reads.Done()
		}
	})
	wg.Go(func() {
		for p := range v.toTarget {
			p.haveErr = readSide(v.target, p.have, p.stretch, p.targetZero)
			p.reads.Done()
		}
	})
	if err := v.compareAll(ctx); err != nil {
		stop(err)
	}
	wg.Wait()
	return context.Cause(ctx)
}

func readSide(src image.Source, buf []byte, s stretch, zero bool) error {
	if zero {
		return nil
	}
	return image.ReadFull(src, buf[:s.length], s.off)
}

// divide cuts the card into stretches and sends them round.
func (v *verifier) divide(ctx context.Context) {
	for c := range v.runs {
		if c.fill == left {
			continue
		}
		for t := range dataRuns(v.target, c.off, c.end) {
			s := stretch{off: t.off, cardZero: c.fill == zeros, targetZero: t.fill == zeros}
			step := int64(bufferSize)
			if s.bothZero() {
				step = 64 * bufferSize // needs no buffer
			}
			for ; s.off < t.end; s.off += step {
				s.length = min(step, t.end-s.off)
				if !v.send(ctx, s) {
					return
				}
			}
		}
	}
}

// send hands a stretch to the readers and, in order, to the comparison. Every
// channel has room for all pairs, so only a free pair has to be waited for.
func (v *verifier) send(ctx context.Context, s stretch) bool {
	select {
	case p := <-v.free:
		p.stretch = s
		if !s.bothZero() {
			p.reads.Add(2)
			v.toCard <- p
			v.toTarget <- p
		}
		v.inOrder <- p
		return true
	case <-ctx.Done():
		return false
	}
}

func (v *verifier) compareAll(ctx context.Context) error {
	for p := range v.inOrder {
		p.reads.Wait()
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if err := v.compare(ctx, p); err != nil {
			return err
		}
		if v.progress != nil {
			v.progress(p.length)
		}
		v.free <- p
	}
	return nil
}

func (v *verifier) compare(ctx context.Context, p *pair) error {
	if p.bothZero() {
		if v.hash != nil {
			hashZeros(ctx, v.hash, p.length)
		}
		return nil
	}
	if err := errors.Join(v.readError(p, "plan", p.wantErr), v.readError(p, "target", p.haveErr)); err != nil {
		return err
	}
	want, have := p.want[:p.length], p.have[:p.length]
	if p.cardZero {
		want = zeroBlock[:p.length]
	}
	if p.targetZero {
		have = zeroBlock[:p.length]
	}
	if v.hash != nil {
		v.hash.Write(have)
	}
	v.block(p.off, want, have)
	return nil
}

func (v *verifier) readError(p *pair, side string, err error) error {
	if err == nil {
		return nil
	}
	n := int64(v.card.SectorSize())
	return fmt.Errorf("reading %s of the %s: %w", disk.Span{Start: disk.Sector(p.off / n),
		Count: disk.Sector(p.length / n)}.Text(), side, err)
}
