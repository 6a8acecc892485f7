package safety

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"io"
	"maps"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
)

// spread is how many sectors between the ends of a card are looked at: by hand, no
// source. They tell a used card from an empty one, and take no time.
const spread = 64

// Looked is a card that is looked at: it remembers which sectors were read
// through it, and what each of them held. So what a look has read is never
// listed a second time: the confirmation word stands for it, the same sectors
// are read again before the first write, and the question for unknown content
// is about them.
//
// It takes 8 bytes of memory for each sector that was read.
type Looked struct {
	src   image.Source
	pages map[disk.Sector]*page
	bad   disk.Spans // sectors that could not be read, when each was tried alone
	shaky disk.Spans // of these a read failed, and the next one did not
}

// mostBad is how many sectors that cannot be read a look gets by: each of them
// takes its time, and a card with more of them is of no use. By hand, no source.
const mostBad = 64

// badMark is remembered of a sector that could not be read.
const badMark = ^uint64(0) &^ markUsed

// page holds a mark for each of as many neighbouring sectors; 0 says that the
// sector was not read.
type page [64]uint64

// The low bits of a mark. Above them is a part of the SHA-256 of the sector.
const (
	markRead = 1 << iota // always set
	markUsed             // not every byte is the same, and it is not what a test left behind
	markBits = markRead | markUsed
)

// LookThrough returns a source of which every read is remembered.
func LookThrough(src image.Source) *Looked {
	return &Looked{src: src, pages: map[disk.Sector]*page{}}
}

// Size implements image.Source.
func (l *Looked) Size() int64 { return l.src.Size() }

// SectorSize implements image.Source.
func (l *Looked) SectorSize() int { return l.src.SectorSize() }

// ReadAt implements io.ReaderAt. It reads whole sectors around what is asked
// for, and remembers those that could be read.
func (l *Looked) ReadAt(p []byte, off int64) (int, error) {
	n := int64(l.SectorSize())
	whole := l.Size() / n * n
	if off < 0 || off >= whole || len(p) == 0 { // an image file may end inside a sector
		return l.src.ReadAt(p, off)
	}
	start, end := off/n*n, min((off+int64(len(p))+n-1)/n*n, whole)
	buf := make([]byte, end-start)
	got, err := l.src.ReadAt(buf, start)
	if got == len(buf) {
		err = nil // io.EOF may come with the last byte
	}
	for i := int64(0); i+n <= int64(got); i += n {
		l.remember(disk.Sector((start+i)/n), mark(buf[i:i+n]))
	}
	done := copy(p, buf[min(off-start, int64(got)):got])
	switch {
	case err != nil:
		return done, err
	case done < len(p) && l.Size() > whole:
		more, err := l.src.ReadAt(p[done:], whole)
		return done + more, err
	case done < len(p):
		return done, io.EOF
	}
	return done, nil
}

// mark returns what is remembered of a sector.
func mark(b []byte) uint64 {
	sum := sha256.Sum256(b)
	m := binary.BigEndian.Uint64(sum[:])&^markBits | markRead
	if !isFilled(b, b[0]) && !isStamped(b) {
		m |= markUsed
	}
	return m
}

// remember keeps what the first read of a sector gave.
func (l *Looked) remember(s disk.Sector, m uint64) {
	at := s / disk.Sector(len(page{}))
	p := l.pages[at]
	if p == nil {
		p = new(page)
		l.pages[at] = p
	}
	if i := s % disk.Sector(len(page{})); p[i] == 0 {
		p[i] = m
	}
}

// marks calls f for every sector that was read, in order, until it returns
// false.
func (l *Looked) marks(f func(s disk.Sector, m uint64) bool) {
	for _, at := range slices.Sorted(maps.Keys(l.pages)) {
		for i, m := range l.pages[at] {
			if m != 0 && !f(at*disk.Sector(len(page{}))+disk.Sector(i), m) {
				return
			}
		}
	}
}

// digest is one SHA-256 of everything that was read. It does not depend on the
// order of the reads.
func (l *Looked) digest() []byte {
	h := sha256.New()
	var b [16]byte
	l.marks(func(s disk.Sector, m uint64) bool {
		binary.BigEndian.PutUint64(b[:], uint64(s))
		binary.BigEndian.PutUint64(b[8:], m)
		h.Write(b[:])
		return true
	})
	return h.Sum(nil)
}

// Ends reads both ends of the card, 1 MiB each, and sectors spread between
// them. It returns the first end, with zeros for sectors that cannot be read.
func (l *Looked) Ends() (head []byte, err error) {
	disk := plan.Size{Sectors: image.Sectors(l), SectorSize: l.SectorSize()}
	for i, s := range endSpans(disk) {
		b := make([]byte, int64(s.Count)*int64(l.SectorSize()))
		bad, shaky, err := readAround(l, b, s, mostBad-int(l.bad.Sectors()))
		if err != nil {
			return nil, err
		}
		if shaky {
			l.shaky = l.shaky.Add(s)
		}
		for _, part := range bad {
			for at := part.Start; at < part.End(); at++ {
				l.remember(at, badMark)
			}
		}
		l.bad = l.bad.Union(bad)
		if i == 0 {
			head = b
		}
	}
	return head, nil
}

// Unread returns the sectors of both ends, and of those spread between them,
// that could not be read.
func (l *Looked) Unread() disk.Spans { return l.bad }

// readAround reads sectors into b. If the medium does not give all of them, each
// is tried alone: those that cannot be read become zeros and are returned. More
// than most of them are an error, as is anything else that goes wrong. The medium
// is shaky if it gives all of them then: it answers differently each time.
func readAround(src image.Source, b []byte, s disk.Span, most int) (bad disk.Spans, shaky bool, err error) {
	n := int64(src.SectorSize())
	if err = image.ReadFull(src, b, int64(s.Start)*n); !isBad(err) {
		return nil, false, err
	}
	for at := s.Start; at < s.End(); at++ {
		one := b[int64(at-s.Start)*n:][:n]
		err := image.ReadFull(src, one, int64(at)*n)
		if err != nil && (!isBad(err) || int(bad.Sectors()) >= most) {
			return bad, false, err
		}
		if err != nil {
			clear(one)
			bad = bad.Add(disk.Span{Start: at, Count: 1})
		}
	}
	return bad, len(bad) == 0, nil
}

// readSteady is readAround where what can be read only at the second try is an
// error: a test is there to find that.
func readSteady(src image.Source, b []byte, s disk.Span, most int) (bad disk.Spans, err error) {
	bad, shaky, err := readAround(src, b, s, most)
	if err == nil && shaky {
		err = &image.ReadError{Span: s, Fault: image.BadSector,
			Err: errors.New("a read failed, and the next one did not: do not rely on this card or its reader")}
	}
	return bad, err
}

// isBad tells whether the medium answered that something cannot be read.
func isBad(err error) bool {
	var failed *image.ReadError
	return errors.As(err, &failed) && failed.Fault == image.BadSector
}

func endSpans(drive plan.Size) []disk.Span {
	edge := min(disk.Sector(plan.Edge/drive.SectorSize), drive.Sectors)
	out := []disk.Span{{Count: edge}, disk.Between(drive.Sectors-edge, drive.Sectors)}
	for i := range disk.Sector(spread) {
		at := drive.Sectors / (spread + 1) * (i + 1)
		out = append(out, disk.Span{Start: at, Count: min(1, drive.Sectors-at)})
	}
	return out
}

// runs returns the sectors that were read.
func (l *Looked) runs() (out disk.Spans) {
	l.marks(func(s disk.Sector, _ uint64) bool {
		out = out.Add(disk.Span{Start: s, Count: 1})
		return true
	})
	return out
}

// Changes are sectors that hold something else than when they were looked at.
type Changes struct {
	Sectors disk.Sector // how many
	First   disk.Sector // the first one, if there is any
}

func (c *Changes) add(s disk.Sector) {
	if c.Sectors++; c.Sectors == 1 {
		c.First = s
	}
}

// again reads everything that was read once more.
func (l *Looked) again() (c Changes, err error) {
	n := int64(l.SectorSize())
	buf := make([]byte, bufferSize)
	for _, run := range l.runs() {
		for at := run.Start; at < run.End(); {
			part := disk.Span{Start: at, Count: min(bufferSize/disk.Sector(n), run.End()-at)}
			b := buf[:int64(part.Count)*n]
			bad, shaky, err := readAround(l.src, b, part, mostBad)
			if err != nil {
				return c, err
			}
			if shaky {
				c.add(part.Start)
			}
			for i := range part.Count {
				now := mark(b[int64(i)*n : int64(i+1)*n])
				if len(bad.Within(disk.Span{Start: at + i, Count: 1})) > 0 {
					now = badMark
				}
				if now == l.mark(at+i) {
					continue
				}
				c.add(at + i)
			}
			at = part.End()
		}
	}
	return c, nil
}

func (l *Looked) mark(s disk.Sector) uint64 {
	if p := l.pages[s/disk.Sector(len(page{}))]; p != nil {
		return p[s%disk.Sector(len(page{}))]
	}
	return 0
}

// Used returns how many of the sectors that were read, outside the given ones,
// hold something, and the first of them. A sector that is filled with one byte,
// or that a test of a card left behind, holds nothing. Where planned is not nil
// a sector that holds already what is planned for it does not count either:
// writing loses nothing there.
func (l *Looked) Used(outside disk.Spans, planned image.Source) (n, first disk.Sector) {
	b := make([]byte, l.SectorSize())
	l.marks(func(s disk.Sector, m uint64) bool {
		for len(outside) > 0 && outside[0].End() <= s {
			outside = outside[1:]
		}
		if m&markUsed == 0 || len(outside) > 0 && outside[0].Start <= s {
			return true
		}
		if planned != nil && image.ReadFull(planned, b, int64(s)*int64(len(b))) == nil && mark(b) == m {
			return true
		}
		if n++; n == 1 {
			first = s
		}
		return true
	})
	return n, first
}
