package safety

import (
	"context"
	"fmt"
	"hash"
	"iter"
	"sync"
	"sync/atomic"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Measured: buffers of 4 and 8 MiB are no faster than 1 MiB. Three: one is read into,
// one hashed or written, and one waits, so that reading, hashing and writing go on at
// once.
const (
	bufferSize  = 1 << 20
	bufferCount = 3
)

var zeroBlock [bufferSize]byte

// block is one step of a pump: data, or length zeros if data is nil.
type block struct {
	off    int64
	length int64
	data   []byte
	users  atomic.Int32
}

// pump moves the runs of a source to a writer and a hasher, both optional. One
// goroutine reads, one hashes, the caller's writes; three buffers go round, so
// memory does not grow with the source.
type pump struct {
	src      image.Source
	runs     iter.Seq[run]
	write    func(p []byte, off int64) error // nil: nothing is written
	zero     func(off, n int64) error        // nil: zeros need not be written
	hash     hash.Hash                       // nil: nothing is hashed, and zeros cost nothing
	progress func(n int64)                   // after each step, in the caller's goroutine

	free   chan []byte
	toHash chan *block
	toSink chan *block
}

func (p *pump) run(parent context.Context) error {
	ctx, stop := context.WithCancelCause(parent)
	defer stop(nil)
	p.free = make(chan []byte, bufferCount)
	p.toHash = make(chan *block, bufferCount)
	p.toSink = make(chan *block, bufferCount)
	for range bufferCount {
		p.free <- make([]byte, bufferSize)
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		defer close(p.toHash)
		defer close(p.toSink)
		if err := p.read(ctx); err != nil {
			stop(err)
		}
	})
	wg.Go(func() { p.sum(ctx) })
	if err := p.sink(ctx); err != nil {
		stop(err)
	}
	wg.Wait()
	return context.Cause(ctx)
}

// read fills blocks and hands each to the hasher and to the sink.
func (p *pump) read(ctx context.Context) error {
	for r := range p.runs {
		var err error
		switch r.fill {
		case stored:
			err = p.readRun(ctx, r)
		case zeros:
			err = p.passZeros(ctx, r)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (p *pump) readRun(ctx context.Context, r run) error {
	for off := r.off; off < r.end; {
		n := min(bufferSize-off%bufferSize, r.end-off) // the writer looks for zeros in aligned units
		var buf []byte
		select {
		case buf = <-p.free:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
		buf = buf[:n]
		if err := image.ReadFull(p.src, buf, off); err != nil {
			return fmt.Errorf("reading from %s on: %w", disk.At(disk.Sector(off/int64(p.src.SectorSize())), p.src.SectorSize()),
				err)
		}
		if err := p.pass(ctx, &block{off: off, length: n, data: buf}); err != nil {
			return err
		}
		off += n
	}
	return nil
}

// passZeros takes steps only where hashing or writing makes zeros slow.
func (p *pump) passZeros(ctx context.Context, r run) error {
	step := r.end - r.off
	if p.hash != nil || p.zero != nil {
		step = 64 * bufferSize // so that the bar moves and Ctrl-C is heard; by hand
	}
	for off := r.off; off < r.end; off += step {
		if err := p.pass(ctx, &block{off: off, length: min(step, r.end-off)}); err != nil {
			return err
		}
	}
	return nil
}

func (p *pump) pass(ctx context.Context, b *block) error {
	b.users.Store(2)
	for _, to := range []chan *block{p.toHash, p.toSink} {
		select {
		case to <- b:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
	return nil
}

// done gives the buffer back after its last use. There is always room.
func (p *pump) done(b *block) {
	if b.users.Add(-1) == 0 && b.data != nil {
		p.free <- b.data[:bufferSize]
	}
}

func (p *pump) sum(ctx context.Context) {
	for b := range p.toHash {
		if p.hash != nil && b.data != nil {
			p.hash.Write(b.data)
		} else if p.hash != nil {
			hashZeros(ctx, p.hash, b.length)
		}
		p.done(b)
	}
}

// hashZeros costs as much as hashing anything else: SHA-256 has no short cut.
func hashZeros(ctx context.Context, h hash.Hash, n int64) {
	for n > 0 && ctx.Err() == nil {
		step := min(n, bufferSize)
		h.Write(zeroBlock[:step])
		n -= step
	}
}

func (p *pump) sink(ctx context.Context) error {
	for b := range p.toSink {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if p.write != nil && b.data != nil {
			if err := p.write(b.data, b.off); err != nil {
				return err
			}
		}
		if p.zero != nil && b.data == nil {
			if err := p.zero(b.off, b.length); err != nil {
				return err
			}
		}
		if p.progress != nil && (b.data != nil || p.hash != nil || p.zero != nil) {
			p.progress(b.length)
		}
		p.done(b)
	}
	return nil
}

// meter turns steps into the done and total that a caller's progress takes.
func meter(progress func(done, total int64), total int64) func(n int64) {
	if progress == nil {
		return nil
	}
	var done int64
	return func(n int64) {
		done += n
		progress(done, total)
	}
}
