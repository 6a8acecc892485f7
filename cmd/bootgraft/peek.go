package main

import (
	"context"
	"errors"
	"io"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/scan"
	"bootgraft/safety/blockdev"
)

// The bounds of a short look at an old drive. A read that takes longer than
// slowRead is a sign that the drive is ill.
const (
	peekSectors = 2048
	peekEnds    = 64 // read first, at either end
	peekTime    = 30 * time.Second
	slowRead    = time.Second
)

// peek is a drive of which only a few sectors are read, each once. All the
// rest is unread, never blank. It stops at the first error or slow read.
type peek struct {
	image.Source
	until   time.Time
	left    disk.Sector
	seen    map[disk.Sector][]byte
	trouble string // why it stopped, if the drive looks ill
	stopped bool
}

func newPeek(src image.Source) *peek {
	return &peek{Source: src, until: time.Now().Add(peekTime), left: peekSectors, seen: map[disk.Sector][]byte{}}
}

// Unknown implements image.Partial: only what was read already is known, so
// that nobody reads on to find out more.
func (p *peek) Unknown(w disk.Span) disk.Spans {
	var known disk.Spans
	if w.Count <= peekSectors {
		for x := w.Start; x < w.End(); x++ {
			if p.seen[x] != nil {
				known = known.Add(disk.Span{Start: x, Count: 1})
			}
		}
	}
	return known.Outside(w)
}

// ReadAt reads the sectors that were not read yet, as long as the look lasts.
func (p *peek) ReadAt(b []byte, off int64) (int, error) {
	n := int64(p.SectorSize())
	end := min(off+int64(len(b)), p.Size())
	for x := disk.Sector(off / n); int64(x)*n < end; x++ {
		s, err := p.sector(x)
		if err != nil {
			return 0, err
		}
		from := max(off, int64(x)*n)
		copy(b[from-off:end-off], s[from-int64(x)*n:])
	}
	if end-off < int64(len(b)) {
		return int(max(0, end-off)), io.EOF
	}
	return len(b), nil
}

func (p *peek) sector(x disk.Sector) ([]byte, error) {
	if p.seen[x] == nil {
		p.fetch(disk.Span{Start: x, Count: 1})
	}
	if s := p.seen[x]; s != nil {
		return s, nil
	}
	return nil, &image.UnknownError{Span: disk.Span{Start: x, Count: 1}, State: image.Unread}
}

// fetch reads a run of sectors with one request, if the look still lasts.
func (p *peek) fetch(run disk.Span) {
	run = run.Common(image.Whole(p.Source))
	if run.Count > p.left || time.Now().After(p.until) {
		p.stopped = true
	}
	if p.stopped {
		return
	}
	began := time.Now()
	b, err := image.ReadSectors(p.Source, run)
	p.left -= run.Count
	switch took := time.Since(began); {
	case err != nil:
		p.stopped, p.trouble = true, "sectors "+run.String()+" could not be read: "+err.Error()
		return
	case took > slowRead:
		p.stopped, p.trouble = true, "reading sectors "+run.String()+" took "+took.Round(time.Millisecond).String()
	}
	n := p.SectorSize()
	for i := range int(run.Count) {
		p.seen[run.Start+disk.Sector(i)] = b[i*n : (i+1)*n]
	}
}

// shortLook surveys a drive by a few reads. The path next stands for the one
// that is plugged in now.
func (u *ui) shortLook(ctx context.Context, path string) error {
	var d *blockdev.Source
	var err error
	if path == "next" {
		d, err = u.nextDrive(ctx)
	} else if d, err = blockdev.OpenSource(path); err != nil {
		err = deviceError(path, err)
	}
	if err != nil {
		return err
	}
	defer d.Close()
	path = d.Name()
	p := newPeek(d)
	p.fetch(disk.Span{Count: peekEnds})
	p.fetch(disk.Span{Start: image.Sectors(d) - peekEnds, Count: peekEnds})
	s, err := scan.Run(ctx, p, scan.Options{Short: true})
	if err != nil {
		return err
	}
	s.Findings = append(s.Findings, p.findings()...)
	if u.json {
		return u.object(surveyObject(&s.Map))
	}
	u.answerf("%s: %s\n", path, identityText(d.Identity()))
	u.showSurvey(path, &s.Map)
	return nil
}

// findings says how far the look went, in place of what the survey could not
// tell because it went no further.
func (p *peek) findings() []disk.Finding {
	out := []disk.Finding{disk.Notef("short-look", disk.NoSector,
		"a block device gets a short look only: %s read, each once. Where nothing was looked at nothing is said. To read it all: bootgraft capture", counted(len(p.seen), "sector"))}
	if p.trouble != "" {
		out = append(out, disk.Warningf("looks-ill", disk.NoSector, "the drive looks ill: %s. Do not look any longer; capture it now", p.trouble))
	}
	return out
}

// isDevice tells whether a path names a block device.
func isDevice(path string) bool {
	_, err := image.Open(path, 512)
	var kind *image.NotRegularError
	return errors.As(err, &kind) && kind.Kind == "a block device"
}
