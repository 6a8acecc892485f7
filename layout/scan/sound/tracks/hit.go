package tracks

import (
	"context"
	"fmt"
	"math"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Bounds of Hits, by hand, no source: bytes that are stored outside the volumes and are
// searched, a minute of work behind a capture and a few seconds for a plan, and what a person
// reads of one list.
const (
	AfterCapture = 8 << 30
	ForPlan      = 512 << 20
	mostHits     = 12
)

// Hit says what is lost of one recording outside the volumes.
type Hit struct {
	Run     int         // of all that are listed
	First   disk.Sector // with which the recording begins
	Lost    disk.Sector // the first that is missing
	Sectors disk.Sector // that are missing
	Seconds float64     // that are silent for it
	From    float64     // seconds from the start of the recording to the first of these
}

// Hits says which recordings outside the volumes have missing sectors, a finding for each of
// the first ones. Where nothing is missing there it reads nothing, and where more than so many
// bytes are stored there it says that it did not look.
func Hits(ctx context.Context, src image.Source, m *layout.Map, most int64,
	progress func(done, total int64)) (hits []Hit, found []disk.Finding, err error) {
	outside := Outside(m)
	first := disk.NoSector
	for _, p := range outside {
		if u := image.Unknown(src, p); len(u) > 0 {
			first = u[0].Start
			break
		}
	}
	if first == disk.NoSector {
		return nil, nil, nil
	}
	if stored(src, outside) > most {
		return nil, []disk.Finding{disk.Notef(disk.SoundNotLooked, first, "sectors outside the volumes are missing. "+
			"Whether they are of recordings was not looked at, for that takes long here: "+
			"bootgraft files SOURCE --sound says it")}, nil
	}
	list, err := Find(ctx, src, m, Options{Progress: progress})
	if err != nil {
		return nil, nil, err
	}
	for i := range list.Tracks {
		t := &list.Tracks[i]
		if lost := t.Lost(); len(lost) > 0 {
			hits = append(hits, hit(t, lost))
		}
	}
	for _, h := range hits[:min(mostHits, len(hits))] {
		found = append(found, h.finding())
	}
	if more := len(hits) - mostHits; more > 0 {
		last := &found[mostHits-1]
		last.Text += fmt.Sprintf("; and %s more are hit: bootgraft files SOURCE --sound lists them",
			disk.Counted(more, "run"))
	}
	return hits, found, nil
}

func hit(t *Track, lost []Lost) Hit {
	h := Hit{Run: t.Number, First: t.First(), Lost: lost[0].Start, From: lost[0].From}
	for _, l := range lost {
		h.Sectors, h.Seconds = h.Sectors+l.Count, h.Seconds+l.Seconds
	}
	return h
}

// finding is what a person is told.
func (h Hit) finding() disk.Finding {
	at := fmt.Sprintf("%d:%04.1f", int(h.From)/60, math.Mod(h.From, 60))
	return disk.Warningf(disk.SoundHit, h.Lost, "%s, %.1f s in run %d of the sound outside the volumes, which "+
		"begins at sector %s: silent from %s on", disk.Counted(h.Sectors, "missing sector"), h.Seconds, h.Run,
		disk.Grouped(h.First), at)
}

// stored counts the bytes of some sectors that are no hole.
func stored(src image.Source, where disk.Spans) (n int64) {
	size := int64(src.SectorSize())
	for _, p := range where {
		for at := int64(p.Start) * size; at < int64(p.End())*size; {
			from, to := image.NextData(src, at)
			to = min(to, int64(p.End())*size)
			if from >= to {
				break
			}
			n += to - max(from, at)
			at = to
		}
	}
	return n
}
