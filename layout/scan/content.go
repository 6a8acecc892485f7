package scan

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"hash"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// hashLimit is the longest region, in sectors, whose SHA-256 a survey
// computes: 64 MiB of 512-byte sectors, as much as a boot area is taken to be at
// most. By hand, no source.
const hashLimit = 131072

// visitor is told of every sector of a run: by runs of holes, which read as zeros,
// by single sectors, and by runs not known.
type visitor interface {
	hole(s disk.Span)
	sector(x disk.Sector, b []byte)
	unknown(s disk.Span)
}

// pass visits the sectors of a run.
func pass(ctx context.Context, src image.Source, span disk.Span, v visitor, moved func(disk.Sector)) error {
	return image.Runs(ctx, src, span, image.Visitor{Hole: v.hole, Unknown: v.unknown, Sector: v.sector, Moved: moved})
}

var zeroBlock [64 << 10]byte

// observer gathers the Content of one region.
type observer struct {
	content  layout.Content
	sum      hash.Hash // nil if the region is too long to hash
	zeros    int64     // bytes of zeros that were seen and are not hashed yet
	sectorsz int
	sigs     signatures
	first    bool
	mixed    bool // some blank sectors are of 00, some of FF
}

func newObserver(span disk.Span, sectorSize int) *observer {
	o := &observer{sectorsz: sectorSize, first: true}
	o.content.Looked = true
	if span.Count <= hashLimit {
		o.sum = sha256.New()
	}
	return o
}

func (o *observer) fill(b byte) {
	if o.first {
		o.content.Fill, o.first = b, false
	}
	o.mixed = o.mixed || o.content.Fill != b
}

func (o *observer) hole(s disk.Span) {
	o.fill(0)
	o.zeros += int64(s.Count) * int64(o.sectorsz)
}

// hashZeros hashes the zeros so far. A blank region never needs it.
func (o *observer) hashZeros() {
	for o.zeros > 0 {
		n := min(o.zeros, int64(len(zeroBlock)))
		o.sum.Write(zeroBlock[:n])
		o.zeros -= n
	}
}

func (o *observer) sector(x disk.Sector, b []byte) {
	fill, blank := image.Blank(b)
	if blank && fill == 0 {
		o.hole(disk.Span{Start: x, Count: 1})
		return
	}
	if o.sum != nil {
		o.hashZeros()
		o.sum.Write(b)
	}
	if blank {
		o.fill(fill)
		return
	}
	if o.content.NonBlank == 0 {
		o.content.First = x
	}
	o.content.NonBlank++
	o.content.Last = x
	o.sigs.look(x, b)
}

func (o *observer) unknown(s disk.Span) {
	o.content.Unread += s.Count
	o.sum = nil
}

// result returns what was seen. Only regions that are not blank are hashed.
func (o *observer) result() layout.Content {
	c := o.content
	c.Blank = c.NonBlank == 0 && c.Unread == 0 && !o.mixed
	if o.sum != nil && !c.Blank {
		o.hashZeros()
		c.SHA256 = hex.EncodeToString(o.sum.Sum(nil))
	}
	c.Signatures = o.sigs.found
	return c
}

// observe reads one region and says what is in it.
func (s *surveyor) observe(span disk.Span) (layout.Content, error) {
	o := newObserver(span, s.src.SectorSize())
	err := pass(s.ctx, s.src, span, o, s.moved)
	return o.result(), err
}

// Look reads a run of sectors and says what is in it.
func Look(ctx context.Context, src image.Source, span disk.Span) (layout.Content, error) {
	o := newObserver(span, src.SectorSize())
	err := pass(ctx, src, span, o, nil)
	return o.result(), err
}
