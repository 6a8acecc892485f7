package tracks

import (
	"context"
	"fmt"
	"math"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Bounds of Hits, by hand, no source: a minute of work, and what a person reads of one
// list.
const (
	mostSearched = 8 << 30 // bytes that are stored outside the volumes
	mostHits     = 12
)

// Hits says which recordings outside the volumes have missing sectors, a finding for each:
// how many, and how much of the sound is silent for it. Where nothing is missing there it
// reads nothing.
func Hits(ctx context.Context, src image.Source, m *layout.Map,
	progress func(done, total int64)) ([]disk.Finding, error) {
	outside := Outside(m)
	first := disk.NoSector
	for _, p := range outside {
		if u := image.Unknown(src, p); len(u) > 0 {
			first = u[0].Start
			break
		}
	}
	if first == disk.NoSector {
		return nil, nil
	}
	if stored(src, outside) > mostSearched {
		return []disk.Finding{disk.Notef(disk.SoundNotLooked, first, "sectors outside the volumes are missing. Whether "+
			"they are of recordings was not looked at, for that takes long here: bootgraft files SOURCE --sound says it")}, nil
	}
	list, err := Find(ctx, src, m, Options{Progress: progress})
	if err != nil {
		return nil, err
	}
	var out []disk.Finding
	more := 0
	for i := range list.Tracks {
		t := &list.Tracks[i]
		lost := t.Lost()
		if len(lost) == 0 {
			continue
		}
		if len(out) == mostHits {
			more++
			continue
		}
		out = append(out, hit(t, lost))
	}
	if more > 0 {
		last := &out[len(out)-1]
		last.Text += fmt.Sprintf("; and %s more are hit: bootgraft files SOURCE --sound lists them", disk.Counted(more, "run"))
	}
	return out, nil
}

// hit is the finding of one run.
func hit(t *Track, lost []Lost) disk.Finding {
	var sectors disk.Sector
	seconds := 0.0
	for _, l := range lost {
		sectors, seconds = sectors+l.Count, seconds+l.Seconds
	}
	at := fmt.Sprintf("%d:%04.1f", int(lost[0].From)/60, math.Mod(lost[0].From, 60))
	return disk.Warningf(disk.SoundHit, lost[0].Start, "%s, %.1f s in run %d of the sound outside the volumes, which "+
		"begins at sector %s: silent from %s on", disk.Counted(sectors, "missing sector"), seconds, t.Number, disk.Grouped(t.First()), at)
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
