package capture

import (
	"time"

	"bootgraft/image/disk"
)

const (
	// By hand, no source, but for what a person can follow on a screen.
	sureAfter = 5 * time.Second  // before that, no estimate is worth anything
	paceOver  = 30 * time.Second // over which the pace is measured
	hashShare = 1.0 / 16         // of the work, as a share: hashing is that much faster than an old drive
)

// pacePoint is how many bytes were read at some time.
type pacePoint struct {
	at  time.Time
	got int64
}

// progress sums up how far the run has come.
func (e *engine) progress() Progress {
	now := e.Time.Now()
	p := Progress{Elapsed: now.Sub(e.began), Doing: e.doing, Class: e.doingNow, At: e.at, Classes: e.tallies(),
		Sorted: e.sorted, Clock: e.rec.Clock}
	todo, total := e.toDo(p.Classes)
	p.Rate = e.rate(now)
	left := float64(todo) * float64(e.rec.SectorSize)
	done := 1.0
	if total > 0 {
		done = float64(total-todo) / float64(total)
	}
	if e.Hash && !e.OnlyBoot {
		size := float64(e.rec.Sectors) * float64(e.rec.SectorSize)
		hashed := float64(e.j.whole.hashed.Load())
		left += (size - hashed) * hashShare
		done = done*(1-hashShare) + hashed/size*hashShare
	}
	e.share = max(e.share, done)
	p.Share = e.share
	if p.Elapsed >= sureAfter && p.Rate > 0 && left > 0 {
		p.Left = time.Duration(min(left/p.Rate, 1e9) * float64(time.Second))
	}
	return p
}

// toDo counts the sectors that this run has still to try, and all that it is
// about.
func (e *engine) toDo(classes map[Class]Tally) (todo, total disk.Sector) {
	for c, t := range classes {
		if e.OnlyBoot && c != Boot && c != Tables || e.SkipFree && c == Free {
			continue
		}
		todo += t.Left()
		total += t.Total - t.Skipped
	}
	return todo, total
}

// rate returns the bytes a second of good reads, of late.
func (e *engine) rate(now time.Time) float64 {
	e.pace = append(e.pace, pacePoint{now, e.got})
	for len(e.pace) > 2 && now.Sub(e.pace[1].at) >= paceOver {
		e.pace = e.pace[1:]
	}
	from := e.pace[0]
	if s := now.Sub(from.at).Seconds(); s > 0 {
		return float64(e.got-from.got) / s
	}
	return 0
}
