// Package peek reads a few sectors of an old drive, each once, and stops when the
// drive looks ill.
package peek

import (
	"io"
	"time"

	"bootgraft/image"
	"bootgraft/image/ata"
	"bootgraft/image/bridge"
	"bootgraft/image/disk"
)

// The bounds of a short look at an old drive. A read that takes longer than
// slowRead is a sign that the drive is ill.
const (
	Sectors  = 2048
	ends     = 64 // read first, at either end
	peekTime = 30 * time.Second
	slowRead = time.Second
)

// Drive is a drive of which only a few sectors are read, each once. All the
// rest is unread, never blank. It stops at the first error or slow read.
type Drive struct {
	image.Source
	until   time.Time
	left    disk.Sector
	seen    map[disk.Sector][]byte
	known   disk.Spans // the sectors of seen
	Trouble string     // why it stopped, if the drive looks ill
	stopped bool
}

// New begins a short look at a drive. Nothing is read yet.
func New(src image.Source) *Drive {
	return &Drive{Source: src, until: time.Now().Add(peekTime), left: Sectors, seen: map[disk.Sector][]byte{}}
}

// Unknown implements image.Partial: only what was read already is known, so
// that nobody reads on to find out more.
func (p *Drive) Unknown(w disk.Span) disk.Spans {
	return p.known.Outside(w)
}

// ReadAt reads the sectors that were not read yet, as long as the look lasts.
func (p *Drive) ReadAt(b []byte, off int64) (int, error) {
	n := int64(p.SectorSize())
	end := min(off+int64(len(b)), p.Size())
	p.fetchRuns(disk.Between(disk.Sector(off/n), disk.Sector((end+n-1)/n)))
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

// fetchRuns reads what was not read yet of a run, with as few requests as can be.
func (p *Drive) fetchRuns(w disk.Span) {
	for x := w.Start; x < w.End(); x++ {
		run := disk.Span{Start: x}
		for x < w.End() && p.seen[x] == nil {
			x++
		}
		if run.Count = x - run.Start; run.Count > 0 {
			p.fetch(run)
		}
	}
}

func (p *Drive) sector(x disk.Sector) ([]byte, error) {
	if p.seen[x] == nil {
		p.fetch(disk.Span{Start: x, Count: 1})
	}
	if s := p.seen[x]; s != nil {
		return s, nil
	}
	return nil, &image.UnknownError{Span: disk.Span{Start: x, Count: 1}, State: image.Unread}
}

// FetchEnds reads the sectors at either end, with one request each. The last one is left
// to the check of the bridge, which reads it alone: it may be none.
func (p *Drive) FetchEnds() {
	last := image.Sectors(p.Source) - 1
	p.fetch(disk.Span{Count: ends})
	p.fetch(disk.Between(max(0, last+1-ends), last))
}

// fetch reads a run of sectors with one request, if the look still lasts.
func (p *Drive) fetch(run disk.Span) {
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
		p.stopped, p.Trouble = true, "sectors "+run.String()+" could not be read: "+err.Error()
		return
	case took > slowRead:
		p.stopped, p.Trouble = true, "reading sectors "+run.String()+" took "+took.Round(time.Millisecond).String()
	}
	n := p.SectorSize()
	for i := range int(run.Count) {
		p.seen[run.Start+disk.Sector(i)] = b[i*n : (i+1)*n]
	}
	p.known = p.known.Add(run)
}

// CheckBridge looks whether the bridge shows the drive as it is, with reads of single
// sectors beside those of the look. says is what the drive says of itself, nil if it was
// not asked.
func (p *Drive) CheckBridge(says *ata.Identify) ([]disk.Finding, error) {
	n := disk.Sector(p.SectorSize())
	p.fetchRuns(disk.Span{Count: bridge.Head / n}.Common(image.Whole(p.Source)))
	return bridge.Check(bridge.Drive{
		Known: func() (image.Source, error) { return p, nil }, Says: says, Now: time.Now,
		Read: func(x disk.Sector) (bool, error) {
			p.fetch(disk.Span{Start: x, Count: 1})
			return p.seen[x] != nil, nil
		},
	})
}

// Findings says how far the look went, in place of what the survey could not
// tell because it went no further.
func (p *Drive) Findings() []disk.Finding {
	out := []disk.Finding{disk.Notef(disk.ShortLook, disk.NoSector,
		"a block device gets a short look only: %s read, each once. Where nothing was looked at nothing is "+
			"said. To read it all: bootgraft capture",
		disk.Counted(len(p.seen), "sector"))}
	if p.Trouble != "" {
		out = append(out, disk.Warningf(disk.LooksIll, disk.NoSector,
			"the drive looks ill: %s. Do not look any longer; capture it now", p.Trouble))
	}
	return out
}
