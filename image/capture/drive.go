package capture

import (
	"context"
	"time"

	"bootgraft/image"
)

// smallSectors is the second step of reads, in sectors: what is lost at a bad
// spot until single sectors are tried. A lone bad sector is found with four
// visits and, in all, some thirty reads: one of a block, up to eight of an eighth
// of it, pieces of decreasing size in that, and single sectors in the last.
const smallSectors = 256

// Drive is the old drive. ReadAt is asked for whole sectors, by one goroutine
// at a time; it answers with all of them or with an error, best an
// *image.ReadError. It may never return.
type Drive interface {
	image.Source
	Identity() image.Identity
}

// Timekeeper is the clock of a run; a test brings its own.
type Timekeeper interface {
	Now() time.Time
	// Timer returns a channel that gets the time once, after d, and a
	// function that releases it.
	Timer(d time.Duration) (<-chan time.Time, func())
}

// wallClock is the clock of this machine. Its times move on while the machine
// is suspended, so that a suspend counts as a slow read.
type wallClock struct{}

// Now implements Timekeeper.
func (wallClock) Now() time.Time { return time.Now().Round(0) }

// Timer implements Timekeeper.
func (wallClock) Timer(d time.Duration) (<-chan time.Time, func()) {
	t := time.NewTimer(d)
	return t.C, func() { t.Stop() }
}

// sleep waits for d or until ctx ends.
func sleep(ctx context.Context, k Timekeeper, d time.Duration) {
	c, stop := k.Timer(d)
	defer stop()
	select {
	case <-c:
	case <-ctx.Done():
	}
}

// FileDrive is an image file to be captured like a drive. The fill of an older
// capture in it is never taken for data.
type FileDrive struct{ image.Source }

// NewFileDrive returns a drive of the content of a file.
func NewFileDrive(f *image.File) FileDrive { return FileDrive{guard(f)} }

// Identity implements Drive: a file says nothing of itself.
func (FileDrive) Identity() image.Identity { return image.Identity{} }

// Still implements Watched, as far as the source does.
func (d FileDrive) Still() error {
	src := d.Source
	if g, ok := src.(*guarded); ok {
		src = g.Source
	}
	if w, ok := src.(watched); ok {
		return w.Still()
	}
	return nil
}
