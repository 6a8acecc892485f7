package capture

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// swapDrive is a drive with a few bad spots.
func swapDrive() *simDrive {
	return newSim(60_000, disk.Span{Start: 20_000, Count: 1}, disk.Span{Start: 41_000, Count: 70})
}

// readsOfARun counts how often a drive is read from beginning to end.
func readsOfARun(t *testing.T) int {
	d := swapDrive()
	runSim(t, d, newMemory(), Options{Looks: 2})
	return d.reads
}

// Another drive in the place of the first, or the first with another size, ends
// the run whenever it happens. None of its sectors is called good, missing or
// unstable; it is refused afterwards, and the first drive is captured to the end.
func TestADriveThatIsSwappedOrShrinksAtAnyStage(t *testing.T) {
	step := 43
	switch {
	case need.Long():
		step = 7
	case testing.Short():
		step = 97
	}
	for at := 1; at < readsOfARun(t)-1; at += step { // the last two are of the last proof
		for _, shrinks := range []bool{false, true} {
			d, m := swapDrive(), newMemory()
			if shrinks {
				d.shrinkAt = at
			} else {
				d.swapAt = at
			}
			before := d.readBefore(at - 2) // two reads are compared before the rest is trusted
			r := runSim(t, d, m, Options{Looks: 2})
			d.seed = 1 // what the right one holds
			if at == 1 && !shrinks {
				continue // it was the other drive from the first read on
			}
			if r.Stop != DriveChanged || r.Why == "" {
				t.Fatalf("read %d, shrinks %v: stopped %q", at, shrinks, r.Stop)
			}
			if len(r.Unstable) > 0 || !d.covers(r.Missing) {
				t.Fatalf("read %d, shrinks %v: missing %v, unstable %v", at, shrinks, r.Missing, r.Unstable)
			}
			checkImage(t, d, m, r)
			checkRecord(t, m, r)
			for _, s := range r.Unread {
				if lost := before.Within(s); !shrinks && len(lost) > 0 {
					t.Fatalf("read %d: sectors %v were read from the right drive, and taken back", at, lost)
				}
			}
			if r.Read > 0 {
				other := swapDrive()
				other.seed = 99
				tg := target
				tg.Storage = m
				var de *DifferentDriveError
				if _, err := Run(context.Background(), other, tg, Options{Looks: 2, Time: other.simTime}, nil, nil); !errors.As(err, &de) {
					t.Fatalf("read %d: the other drive goes on: %v", at, err)
				}
			}
			backWithTheRightOne(t, m)
		}
	}
}

// readBefore collects what is read well before a read, the first being number 1.
func (d *simDrive) readBefore(number int) *disk.Spans {
	var out disk.Spans
	d.onRead = func(s disk.Span, failed bool) {
		if !failed && d.reads+1 < number {
			out = out.Add(s)
		}
	}
	return &out
}

func backWithTheRightOne(t *testing.T, m *memory) {
	t.Helper()
	d := swapDrive()
	r := runSim(t, d, m, Options{Looks: 2})
	if r.Stop != Done || !slices.Equal(r.Missing, d.badSpans()) || len(r.Unread)+len(r.Unstable) > 0 {
		t.Fatalf("stopped %q, missing %v, unread %v, unstable %v", r.Stop, r.Missing, r.Unread, r.Unstable)
	}
	checkImage(t, d, m, r)
}

// The run is killed after the swap, before anybody could notice: the next one
// looks at what was read last, and takes back what is of the other drive.
func TestARunThatIsKilledAfterASwap(t *testing.T) {
	step := 23
	switch {
	case need.Long():
		step = 1
	case testing.Short():
		step = 89
	}
	for at := 12; at < readsOfARun(t)-3; at += step {
		d, m := swapDrive(), newMemory()
		d.swapAt = at
		var dead *memory
		d.onRead = func(disk.Span, bool) {
			if d.reads == at+3 {
				dead = m.snapshot(false)
			}
		}
		runSim(t, d, m, Options{Looks: 2})
		if dead != nil {
			backWithTheRightOne(t, dead)
		}
	}
}

// killedAt runs to the end, and returns what was on the disk of the image as read
// n began, when all that the reads before it have brought was in the record.
func killedAt(t *testing.T, d *simDrive, m *memory, o Options, n int) (dead *memory) {
	t.Helper()
	var asked disk.Spans
	failed := false // from then on parts of a read may wait for their neighbours
	d.onRead = func(s disk.Span, fails bool) {
		if d.reads == n {
			for end := time.Now().Add(time.Minute); ; time.Sleep(time.Millisecond) {
				dead = m.snapshot(false)
				known := knownNow(t, dead)
				if !slices.ContainsFunc(asked, func(s disk.Span) bool { return len(known.Outside(s)) > 0 }) {
					break
				}
				if time.Now().After(end) {
					t.Errorf("read %d: the record knows %v, read are %v", n, known, asked)
					break
				}
			}
		}
		failed = failed || fails
		if whole := s.Count == record.BlockBytes/512; !fails && (whole || !failed) {
			asked = append(asked, s)
		}
	}
	runSim(t, d, m, o)
	return dead
}

// Before anything was proved nobody knows whose the first reads are. If few of them
// are of another drive the right one goes on; else it is refused, and what there is
// stays as it is.
func TestARunThatIsKilledBeforeAnythingIsProved(t *testing.T) {
	for at := 4; at < 30; at += 3 {
		d, m := swapDrive(), newMemory()
		d.swapAt = at
		dead := killedAt(t, d, m, Options{Looks: 2}, at+3)
		before := dead.snapshot(false)
		right := swapDrive()
		tg := target
		tg.Storage = dead
		var de *DifferentDriveError
		r, err := Run(context.Background(), right, tg, Options{Looks: 2, Time: right.simTime}, nil, nil)
		switch {
		case errors.As(err, &de) && at < 12:
			for name, f := range before.files {
				if !bytes.Equal(f.now, dead.files[name].now) {
					t.Errorf("swapped at %d: refused, and %s was changed", at, name)
				}
			}
		case err != nil:
			t.Errorf("swapped at %d: %v", at, err)
		case !slices.Equal(r.Missing, right.badSpans()) || len(r.Unread)+len(r.Unstable) > 0:
			t.Errorf("swapped at %d: missing %v, unread %v, unstable %v", at, r.Missing, r.Unread, r.Unstable)
		default:
			checkImage(t, right, dead, r)
		}
	}
}

// Another unit of the model has the same boot area. Little was read of the first,
// and nothing proved: the other does not go on in its place.
func TestAnotherUnitDoesNotGoOn(t *testing.T) {
	for _, kill := range []int{3, 4, 6, 10, 20} {
		dead := killedAt(t, newSim(60_000), newMemory(), Options{Looks: 1}, kill)
		other := newSim(60_000)
		other.seed, other.common = 99, 2048
		tg := target
		tg.Storage = dead
		var de *DifferentDriveError
		if _, err := Run(context.Background(), other, tg, Options{Looks: 1, Time: other.simTime}, nil, nil); !errors.As(err, &de) {
			t.Errorf("killed at read %d: %v", kill, err)
		}
	}
}

// One sector that answers differently now is no reason to read again what a long
// run without a fault has read, and no proof came between.
func TestOneUnstableSectorTakesLittleBack(t *testing.T) {
	dead := killedAt(t, newSim(60_000), newMemory(), Options{Looks: 1}, 25)
	known := knownNow(t, dead)
	last := known[len(known)-1]
	for _, s := range known { // the reads go upward but for the ends of the drive
		if s.Start < 50_000 {
			last = s
		}
	}
	right := newSim(60_000)
	right.differs = disk.Span{Start: last.End() - 1, Count: 1}
	again := disk.Sector(0)
	right.onRead = func(s disk.Span, _ bool) { again += known.Within(s).Sectors() }
	runSim(t, right, dead, Options{Looks: 1})
	if again > 3*2048 {
		t.Errorf("%d of %d known sectors were read again", again, known.Sectors())
	}
}

// The system may see nothing, and every sector that is read may be all there:
// a drive that changes its size says so itself, before its end is called bad.
func TestADriveThatShrinksIsNotCalledBad(t *testing.T) {
	d, m := newSim(60_000), newMemory()
	d.shrinkAt = 10
	r := runSim(t, d, m, Options{Looks: 1})
	if r.Stop != DriveChanged || len(r.Missing) > 0 {
		t.Errorf("stopped %q, missing %v", r.Stop, r.Missing)
	}
}
