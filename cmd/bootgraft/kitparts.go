package main

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// part is a plain file that holds some sectors of a drive.
type part struct {
	disk.Span
	img *image.File
}

// parts is a drive of which only plain pieces are there.
type parts struct {
	sectors disk.Sector
	size    int // of a sector, bytes
	list    []part
}

// openParts opens the pieces of a drive of n sectors. Each text is PLACE=FILE, and
// PLACE is 0s or end-131072s.
func openParts(texts []string, n disk.Sector, sectorSize int) (*opened, error) {
	p := &parts{sectors: n, size: sectorSize}
	out := &opened{path: "the parts", close: p.close, parts: p}
	for _, text := range texts {
		if err := p.open(text); err != nil {
			p.close()
			return nil, err
		}
		st, err := p.list[len(p.list)-1].img.Stat()
		if err != nil {
			p.close()
			return nil, err
		}
		out.files = append(out.files, st)
	}
	if err := p.agree(); err != nil {
		p.close()
		return nil, err
	}
	var known disk.Spans
	for _, q := range p.list {
		known = known.Union(disk.Spans{q.Span})
	}
	out.Source = image.NewKnown(p, known.Outside(disk.Span{Count: n}), nil)
	return out, nil
}

func (p *parts) close() error {
	for _, q := range p.list {
		q.img.Close() // read only: nothing can be lost
	}
	return nil
}

// open opens one piece.
func (p *parts) open(text string) error {
	place, path, ok := strings.Cut(text, "=")
	number, fromEnd := strings.CutPrefix(strings.TrimSuffix(place, "s"), "end-")
	at, err := strconv.ParseInt(number, 10, 62)
	if !ok || err != nil || at < 0 || path == "" {
		return usagef("--part %s is not understood: it is PLACE=FILE, and PLACE is a sector, as in 0s=head.bin, or counted from the end, as in end-131072s=tail.bin", text)
	}
	start := disk.Sector(at)
	if fromEnd {
		start = p.sectors - start
	}
	img, err := image.Open(path, p.size)
	if err != nil {
		return sourceError(path, err)
	}
	q := part{disk.Span{Start: start, Count: image.Sectors(img)}, img}
	p.list = append(p.list, q)
	switch {
	case img.Size()%int64(p.size) != 0 || img.Size() == 0:
		return fmt.Errorf("%s has %d bytes, which are not whole sectors of %d", path, img.Size(), p.size)
	case start < 0 || q.Count > p.sectors || start > p.sectors-q.Count:
		return refusef("%s has %s and would lie at %s: it is not inside the drive of %s. Is --sectors right?", path, counted(q.Count, "sector"), place, counted(p.sectors, "sector"))
	}
	return nil
}

// agree refuses pieces that overlap and differ.
func (p *parts) agree() error {
	for i, a := range p.list {
		for _, b := range p.list[:i] {
			common := a.Common(b.Span)
			if common.Empty() {
				continue
			}
			at, err := firstDifference(a, b, common, int64(p.size))
			if err != nil {
				return err
			}
			if at >= 0 {
				n := int64(p.size)
				return refusef("%s and %s both hold sector %d of the drive and differ there, at byte %d: they are not of one drive, or not from the same time, or --sectors or a place is wrong", b.img.Name(), a.img.Name(), at/n, at%n)
			}
		}
	}
	return nil
}

// firstDifference returns the first byte of the drive at which two pieces differ,
// or -1.
func firstDifference(a, b part, common disk.Span, size int64) (int64, error) {
	step := disk.Sector(1 << 20 / size)
	for at := common.Start; at < common.End(); at += step {
		n := min(step, common.End()-at)
		x, err := image.ReadSectors(a.img, disk.Span{Start: at - a.Start, Count: n})
		if err != nil {
			return 0, err
		}
		y, err := image.ReadSectors(b.img, disk.Span{Start: at - b.Start, Count: n})
		if err != nil {
			return 0, err
		}
		for i := range x {
			if x[i] != y[i] {
				return int64(at)*size + int64(i), nil
			}
		}
	}
	return -1, nil
}

// Size returns the size of the whole drive in bytes.
func (p *parts) Size() int64 { return int64(p.sectors) * int64(p.size) }

// SectorSize returns the sector size in bytes.
func (p *parts) SectorSize() int { return p.size }

// ReadAt reads bytes that all lie in pieces.
func (p *parts) ReadAt(b []byte, off int64) (int, error) {
	if off >= p.Size() {
		return 0, io.EOF
	}
	done := 0
	for done < len(b) {
		at := off + int64(done)
		n, err := p.readOne(b[done:], at)
		if done += n; err != nil || n == 0 {
			return done, err
		}
	}
	return done, nil
}

// readOne reads from the first piece that holds byte off.
func (p *parts) readOne(b []byte, off int64) (int, error) {
	size := int64(p.size)
	if off >= p.Size() {
		return 0, io.EOF
	}
	for _, q := range p.list {
		if start, end := int64(q.Start)*size, int64(q.End())*size; off >= start && off < end {
			b = b[:min(int64(len(b)), end-off)]
			if err := image.ReadFull(q.img, b, off-start); err != nil {
				return 0, err
			}
			return len(b), nil
		}
	}
	return 0, &image.UnknownError{Span: disk.Span{Start: disk.Sector(off / size), Count: 1}, State: image.Unread}
}
