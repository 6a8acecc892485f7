package capture

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// A run that loses power at any operation goes on: the same image, and nothing
// that the record knows is read again but the few sectors that tell one drive
// from another and the ones that prove that it is still there.
func TestPowerCutAtAnyMomentThenOn(t *testing.T) {
	const most = 8 // sectors that two of six cuts leave announced twice
	for _, seed := range seeds(24, 600) {
		rng := rand.New(rand.NewPCG(uint64(seed), 5))
		sectors := disk.Sector(1000 + rng.IntN(30_000))
		faults := randomFaults(rng, sectors)
		m := newMortalMemory()
		var r *Result
		for cuts := 0; ; cuts++ {
			d := newSim(sectors, faults...)
			m.cutAt = 1 + rng.IntN(400)
			if cuts == 6 {
				m.cutAt = 0
			}
			known := knownNow(t, m)
			again, failures := 0, 0
			d.onRead = func(s disk.Span, failed bool) {
				n := int(known.Within(s).Sectors())
				if n > 0 && s.Count > 1 {
					t.Errorf("seed %d: known sectors in %s were read again", seed, s)
				}
				if again += n; failed {
					failures++
				}
			}
			tg := target
			tg.Storage = m
			var err error
			r, err = Run(context.Background(), d, tg, Options{Looks: 1, Time: d.simTime}, nil, nil)
			// To tell drives apart when a run begins, as it goes on and where much fails.
			if again > fingerprints+freshPrints+2+failures {
				t.Fatalf("seed %d: %d known sectors were read again", seed, again)
			}
			if err == nil {
				break
			}
			if !errors.Is(err, errPower) {
				t.Fatalf("seed %d, cut %d: %v", seed, cuts, err)
			}
			m.cut(rng)
		}
		d := newSim(sectors, faults...)
		// Two cuts may fall on the same sector after it was announced and before its
		// answer was on the disk: it counts as one that hangs, and is read when asked.
		if r.Unread.Sectors() > 0 {
			if r.Unread.Sectors() > most {
				t.Fatalf("seed %d: unread %v", seed, r.Unread)
			}
			r = runSim(t, d, m, Options{Looks: 1, RetryHung: true})
		}
		if !slices.Equal(r.Missing, d.badSpans()) || len(r.Unread) > 0 {
			t.Fatalf("seed %d: missing %v, want %v; unread %v", seed, r.Missing, d.badSpans(), r.Unread)
		}
		checkImage(t, d, m, r)
		checkRecord(t, m, r)
	}
}

// knownNow returns what a resumed run will take as known.
func knownNow(t *testing.T, m *memory) disk.Spans {
	f := m.files["image.record"]
	if f == nil {
		return nil
	}
	if torn, err := record.IsTornOpening(f); err != nil || torn {
		return nil
	}
	rec, err := readFrom(f)
	if err != nil {
		t.Fatal(err)
	}
	broken := disk.Spans(nil)
	if img := m.files["image"]; img != nil {
		if broken, err = rec.CheckTail(img); err != nil {
			t.Fatal(err)
		}
	}
	var out disk.Spans
	for _, s := range rec.States.Spans(rec.Whole(), record.Good, record.Unstable) {
		out = append(out, broken.Outside(s)...)
	}
	return out
}

// watcher calls back.
type watcher struct {
	event    func(Event)
	progress func(Progress)
}

func (w watcher) Event(e Event) {
	if w.event != nil {
		w.event(e)
	}
}

func (w watcher) Progress(p Progress) {
	if w.progress != nil {
		w.progress(p)
	}
}

// hangOnce runs until the drive hangs, and stops then as an owner would.
func hangOnce(t *testing.T, d *simDrive, m *memory, o Options) *Result {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	defer close(d.release)
	o.Time = d.simTime
	tg := target
	tg.Storage = m
	r, err := Run(ctx, d, tg, o, nil, watcher{event: func(e Event) {
		if e.Kind == EventHang {
			cancel()
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// A sector that hangs at every touch hangs once in all: what hung is not
// touched again unless that is asked for, and all else is read.
func TestASectorThatHangsHangsOnce(t *testing.T) {
	for _, tt := range []struct {
		name string
		hang disk.Sector
		bad  []disk.Span
		left disk.Sector // unread at the end
	}{
		{"in a large read", 30_000, nil, 2048},
		{"alone, beside a bad sector", 30_000, []disk.Span{{Start: 29_999, Count: 1}}, 2048},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m := newMemory()
			d := newSim(50_000, tt.bad...)
			d.hangs[tt.hang] = true
			if r := hangOnce(t, d, m, Options{Looks: 1}); r.Stop != DriveHangs || !r.Hung.Holds(tt.hang) {
				t.Fatalf("stopped %q, hung %v", r.Stop, r.Hung)
			}
			d = newSim(50_000, tt.bad...)
			d.hangs[tt.hang] = true
			r := runSim(t, d, m, Options{Looks: 1})
			if d.hung != 0 || r.Stop != Done {
				t.Fatalf("it hung %d more times, stopped %q", d.hung, r.Stop)
			}
			if n := r.Unread.Sectors(); n > tt.left || !r.Unread.Holds(tt.hang) {
				t.Fatalf("unread %v", r.Unread)
			}
			checkImage(t, d, m, r)

			// Asked for, the others are read and the one is missing.
			d = newSim(50_000, tt.bad...)
			d.hangs[tt.hang] = true
			hangOnce(t, d, m, Options{Looks: 1, RetryHung: true})
			d = newSim(50_000, tt.bad...)
			d.hangs[tt.hang] = true
			r = runSim(t, d, m, Options{Looks: 1, RetryHung: true})
			want := disk.NewSpans(append(tt.bad, disk.Span{Start: tt.hang, Count: 1})...)
			if d.hung != 0 || len(r.Unread) != 0 || !slices.Equal(r.Missing, want) {
				t.Fatalf("hung %d times, missing %v, unread %v", d.hung, r.Missing, r.Unread)
			}
			checkImage(t, d, m, r)
		})
	}
}

// A large window that was announced and cut off says little: its parts are read
// again in their turn, each announced alone.
func TestALargeWindowThatWasCutOffIsReadInParts(t *testing.T) {
	m := newMortalMemory()
	d := newSim(50_000)
	n := 0
	d.onRead = func(disk.Span, bool) {
		if n++; n == 12 {
			m.mu.Lock()
			m.cutAt = m.ops + 1 // the power goes in mid-read
			m.mu.Unlock()
		}
	}
	tg := target
	tg.Storage = m
	if _, err := Run(context.Background(), d, tg, Options{Looks: 1, Time: d.simTime}, nil, nil); !errors.Is(err, errPower) {
		t.Fatal(err)
	}
	m.cut(rand.New(rand.NewPCG(1, 1)))
	rec, err := readFrom(m.files["image.record"])
	if window, _ := openEnd(t, m.files["image.record"]); err != nil || len(window) == 0 {
		t.Fatalf("window %v, %v", window, err)
	}
	rec.SuspectWindow()
	suspects := rec.States.Spans(rec.Whole(), record.Suspect)
	d = newSim(50_000)
	d.onRead = func(s disk.Span, _ bool) {
		if s.Count == 1 || len(suspects.Within(s)) == 0 {
			return
		}
		if now, _ := openEnd(t, m.files["image.record"]); !slices.Equal(now, []disk.Span{s}) {
			t.Errorf("suspect sectors %s are read, announced are %v", s, now)
		}
	}
	r := runSim(t, d, m, Options{Looks: 1})
	if len(suspects) == 0 || len(r.Unread)+len(r.Missing) > 0 {
		t.Errorf("suspect %v, unread %v", suspects, r.Unread)
	}
	checkImage(t, d, m, r)
}

// A drive that goes, whether it says so or not, ends the run; the same call
// goes on when it is back, and has nothing wrong in its list of missing ones.
func TestDriveGoesInMidRun(t *testing.T) {
	for _, mute := range []bool{false, true} {
		rng := rand.New(rand.NewPCG(7, 7))
		faults := randomFaults(rng, 40_000)
		m := newMemory()
		var r *Result
		for range len(seeds(40, 40)) {
			d := newSim(40_000, faults...)
			d.mute = mute
			d.goneAfter = fingerprints + 10 + rng.IntN(60)
			r = runSim(t, d, m, Options{Looks: 1})
			if r.Stop == Done {
				break
			}
			if r.Stop != DriveGone || !d.covers(r.Missing) {
				t.Fatalf("mute %v: stopped %q, missing %v", mute, r.Stop, r.Missing)
			}
			checkImage(t, d, m, r)
		}
		d := newSim(40_000, faults...)
		r = runSim(t, d, m, Options{Looks: 1})
		if r.Stop != Done || !slices.Equal(r.Missing, d.badSpans()) || len(r.Unread) > 0 {
			t.Fatalf("mute %v: stopped %q, missing %v, want %v, unread %v", mute, r.Stop, r.Missing, d.badSpans(), r.Unread)
		}
		checkImage(t, d, m, r)
	}
}

// covers tells whether all of these are bad indeed.
func (d *simDrive) covers(s disk.Spans) bool {
	var n disk.Sector
	for _, p := range s {
		n += d.bad.Spans(p, true).Sectors()
	}
	return n == s.Sectors()
}

func TestBudgetsStopAndGoOn(t *testing.T) {
	bad := []disk.Span{{Start: 5000, Count: 100}}
	m := newMemory()
	d := newSim(40_000, bad...)
	r := runSim(t, d, m, Options{Looks: 1, StopAfterBad: 5})
	if r.Stop != BadSpent || r.Clock.Errors != 5 {
		t.Fatalf("stopped %q after %d failed reads", r.Stop, r.Clock.Errors)
	}
	d = newSim(40_000, bad...)
	r = runSim(t, d, m, Options{Looks: 1, StopAfter: 20 * time.Second})
	if spent := d.Now().Sub(newSimTime().Now()); r.Stop != TimeSpent || spent < 20*time.Second || spent > 20*time.Second+2*simBad {
		t.Fatalf("stopped %q after %v", r.Stop, spent)
	}
	d = newSim(40_000, bad...)
	if r = runSim(t, d, m, Options{Looks: 1}); r.Stop != Done || r.Missing.Sectors() != 100 {
		t.Fatalf("stopped %q, missing %v", r.Stop, r.Missing)
	}
	checkImage(t, d, m, r)
}

func TestInterruptedAtOnce(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	d := newSim(10_000)
	tg := target
	tg.Storage = newMemory()
	r, err := Run(ctx, d, tg, Options{Time: d.simTime}, nil, nil)
	if err != nil || r.Stop != Interrupted || r.Read != 0 {
		t.Errorf("%v, %+v", err, r)
	}
}

func TestADiskThatFillsUpStopsTheRunAndItGoesOn(t *testing.T) {
	m := newMemory()
	m.limit = 5 << 20
	d := newSim(30_000)
	r := runSim(t, d, m, Options{Looks: 1})
	if r.Stop != NoSpace {
		t.Fatalf("stopped %q", r.Stop)
	}
	m.limit = 0
	r = runSim(t, newSim(30_000), m, Options{Looks: 1})
	if r.Stop != Done || len(r.Unread) > 0 {
		t.Fatalf("stopped %q, unread %v", r.Stop, r.Unread)
	}
	checkImage(t, d, m, r)

	m = newMemory()
	m.free = 30_000*512 - 1
	d = newSim(30_000)
	tg := target
	tg.Storage = m
	_, err := Run(context.Background(), d, tg, Options{Time: d.simTime}, nil, nil)
	var se *SpaceError
	if !errors.As(err, &se) || d.reads > 0 || len(m.files) > 0 {
		t.Errorf("%v after %d reads, %d files remain", err, d.reads, len(m.files))
	}
}

func TestAnImageWithoutARecordIsNotOverwritten(t *testing.T) {
	m := newMemory()
	m.files["image"] = &memFile{m: m, now: []byte("something else")}
	d := newSim(1000)
	tg := target
	tg.Storage = m
	_, err := Run(context.Background(), d, tg, Options{Time: d.simTime}, nil, nil)
	if err == nil || !strings.Contains(err.Error(), "no record") || string(m.files["image"].now) != "something else" || d.reads > 0 {
		t.Errorf("%v", err)
	}
}

func TestRest(t *testing.T) {
	d := newSim(1 << 18)
	var rests, works int
	d.simTime.hanging = true // a rest is over at once
	tg := target
	tg.Storage = newMemory()
	_, err := Run(context.Background(), d, tg, Options{Looks: 1, Work: 1250 * time.Millisecond, Rest: time.Minute, HangAfter: time.Hour, Time: d.simTime}, nil,
		watcher{event: func(e Event) {
			switch e.Kind {
			case EventRest:
				rests++
			case EventWork:
				works++
			}
		}})
	// 2^18 sectors take 4.46 s.
	if err != nil || rests != 3 || works != 3 {
		t.Errorf("%v, %d rests, %d times back to work", err, rests, works)
	}
}
