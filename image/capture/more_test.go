package capture

import (
	"context"
	"errors"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

func TestASlowReadIsLeftLikeAFailedOne(t *testing.T) {
	d := newSim(60_000)
	d.slow[10_000] = 5 * time.Second
	var order []disk.Sector
	d.onRead = func(s disk.Span, _ bool) { order = append(order, s.Start) }
	r := runSim(t, d, newMemory(), Options{Looks: 1})
	if r.Clock.Slow < 5*time.Second || r.Clock.Errors != 0 || len(r.Unread)+len(r.Missing) > 0 {
		t.Errorf("%+v", r.Clock)
	}
	order = slices.DeleteFunc(order, func(x disk.Sector) bool { return x%2048 != 0 || x == 0 }) // proofs are of single sectors
	for i, x := range order {
		if x == 8192 && order[i+1] < 12_288 {
			t.Errorf("after the slow read at 8192 comes %d", order[i+1])
		}
	}
}

// A sector that fails twice and is good then is found by the narrowing, one
// that fails five times only by asking for more.
func TestSectorsThatFailSometimes(t *testing.T) {
	d := newSim(20_000)
	d.heals[5000] = 2
	if r := runSim(t, d, newMemory(), Options{Looks: 1}); len(r.Missing)+len(r.Unread) > 0 {
		t.Errorf("missing %v, unread %v", r.Missing, r.Unread)
	}
	m := newMemory()
	d = newSim(20_000)
	d.heals[5000] = 5
	if r := runSim(t, d, m, Options{Looks: 1}); r.Missing.Sectors() != 1 {
		t.Errorf("missing %v", r.Missing)
	}
	r := runSim(t, d, m, Options{Looks: 1, Retry: 3})
	if len(r.Missing)+len(r.Unread) > 0 {
		t.Errorf("after more tries: missing %v, unread %v", r.Missing, r.Unread)
	}
	checkImage(t, d, m, r)
}

// sleeper is a clock under which the machine was suspended once: the time is
// later, and no timer saw it.
type sleeper struct {
	*simTime
}

func (s sleeper) Timer(time.Duration) (<-chan time.Time, func()) { return nil, func() {} }

func TestAfterASuspendTheDriveIsLookedAtAgain(t *testing.T) {
	for _, other := range []bool{false, true} {
		d := newSim(60_000)
		reads := 0
		d.onRead = func(disk.Span, bool) {
			if reads++; reads == 10 {
				d.pass(3 * time.Hour)
				if other {
					d.seed = 99
				}
			}
		}
		tg := target
		tg.Storage = newMemory()
		r, err := Run(context.Background(), d, tg, Options{Looks: 1, Time: sleeper{simTime: d.simTime}}, nil, nil)
		if err != nil || other != (r.Stop == DriveChanged) || other == (len(r.Unread) == 0) {
			t.Errorf("another drive %v: %v, %+v", other, err, r)
		}
	}
}

// blankArea is a drive on which a named area holds one byte throughout.
type blankArea struct {
	*simDrive
	area disk.Span
}

func (b blankArea) ReadAt(p []byte, off int64) (int, error) {
	n, err := b.simDrive.ReadAt(p, off)
	for i := range p {
		if b.area.Holds(disk.Sector((off + int64(i)) / 512)) {
			p[i] = 0xFF
		}
	}
	return n, err
}

func TestALongFillInsideAFileIsAFinding(t *testing.T) {
	area := disk.Span{Start: 20_480, Count: 20_480}
	for _, class := range []Class{Files, Boot} {
		d := newSim(60_000)
		tg := target
		tg.Storage = newMemory()
		a := layoutAdvisor{[]Wish{{disk.Span{Start: 18_000, Count: 30_000}, class}}}
		r, err := Run(context.Background(), blankArea{d, area}, tg, Options{Looks: 1, Time: d.simTime}, a, nil)
		if err != nil {
			t.Fatal(err)
		}
		if found := len(r.Findings) == 1 && r.Findings[0].Code == "long-fill" && r.Findings[0].Sector == area.Start; found != (class == Files) {
			t.Errorf("class %s: findings %v", class, r.Findings)
		}
	}
}

// After the drive was without power the boot areas are looked at once more,
// even if they had all their looks.
func TestALookAfterAPowerOff(t *testing.T) {
	bad := disk.Span{Start: 30_000, Count: 3000}
	m := newMemory()
	d := newSim(60_000, bad)
	looked := 0
	head := Ends{Head: 1 << 20, Tail: -1}
	run := func(d *simDrive) *Result {
		tg := target
		tg.Storage = m
		d.onRead = func(s disk.Span, _ bool) {
			if s.Holds(100) {
				looked++
			}
			if s.Start > 30_000 && s.Count == 1 && looked == 3 && d.goneAfter < 0 {
				d.goneAfter = d.reads + 300
			}
		}
		r, err := Run(context.Background(), d, tg, Options{Looks: 3, Time: d.simTime}, head, nil)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	if r := run(d); r.Stop != DriveGone || looked != 3 {
		t.Fatalf("stopped %q after %d looks", r.Stop, looked)
	}
	looked = -100
	if r := run(newSim(60_000, bad)); r.Stop != Done || looked == -100 || r.Missing.Sectors() != 3000 {
		t.Errorf("stopped %q, %d more looks", r.Stop, looked+100)
	}
}

// smallFiles is a storage that holds no large file.
type smallFiles struct{ *memory }

type smallFile struct{ File }

func (smallFile) Truncate(size int64) error {
	if size > 1<<20 {
		return syscall.EFBIG
	}
	return nil
}

func (s smallFiles) Create(name string) (File, error) {
	f, err := s.memory.Create(name)
	return smallFile{f}, err
}

func TestAFileSystemThatCannotHoldTheSizeIsRefusedBeforeTheFirstRead(t *testing.T) {
	d := newSim(60_000)
	tg := target
	m := newMemory()
	tg.Storage = smallFiles{m}
	_, err := Run(context.Background(), d, tg, Options{Time: d.simTime}, nil, nil)
	if err == nil || !strings.Contains(err.Error(), "cannot hold a file of") || d.reads > 0 || len(m.files) > 0 {
		t.Errorf("%v after %d reads", err, d.reads)
	}
}

// What the owner names comes first; what nobody named can be left out.
func TestOrderFollowsTheAdvisor(t *testing.T) {
	d := newSim(200_000)
	var order []disk.Sector
	d.onRead = func(s disk.Span, _ bool) { order = append(order, s.Start) }
	w := func(c Class, at, n disk.Sector) Wish { return Wish{disk.Span{Start: at, Count: n}, c} }
	a := layoutAdvisor{[]Wish{w(Files, 150_000, 100), w(Files, 120_000, 100), w(Directories, 90_000, 10), w(Tables, 100_000, 10), w(Boot, 199_990, 10), w(Boot, 500, 5)}}
	tg := target
	tg.Storage = newMemory()
	r, err := Run(context.Background(), d, tg, Options{Looks: 1, Time: d.simTime, SkipFree: true, First: disk.Spans{{Start: 7777, Count: 1}}}, a, nil)
	if err != nil {
		t.Fatal(err)
	}
	// 7777 a second time: the drive is compared with what was read of it first.
	want := []disk.Sector{7777, 0, 199_990, 500, 100_000, 90_000, 7777, 150_000, 120_000}
	if len(order) < len(want) {
		t.Fatalf("read %v", order)
	}
	for i := range want {
		if order[i] != want[i] {
			t.Fatalf("read %v, want %v", order, want)
		}
	}
	if r.Skipped.Sectors() != 200_000-r.Read || len(r.Unread) > 0 || r.Classes[Files] != (Tally{Total: 200, Safe: 200}) {
		t.Errorf("skipped %d, read %d, unread %v, files %+v", r.Skipped.Sectors(), r.Read, r.Unread, r.Classes[Files])
	}
}

// Samples come when boot areas, tables and directories are done with, bad spots in them
// too; what sounds comes before the rest, and what is bad in a sample waits for that.
func TestSamplesThenSoundThenTheRest(t *testing.T) {
	bad := []disk.Span{{Start: 510, Count: 2}, {Start: 60_032, Count: 1}}
	d := newSim(200_000, bad...)
	var order []disk.Span
	d.onRead = func(s disk.Span, _ bool) { order = append(order, s) }
	w := func(c Class, at, n disk.Sector) Wish { return Wish{disk.Span{Start: at, Count: n}, c} }
	a := layoutAdvisor{[]Wish{w(Samples, 60_032, 128), w(Samples, 100_096, 128), w(Sound, 90_000, 30_000), w(Files, 150_000, 100),
		w(Boot, 500, 100)}}
	m := newMemory()
	tg := target
	tg.Storage = m
	r, err := Run(context.Background(), d, tg, Options{Looks: 1, Time: d.simTime}, a, nil)
	if err != nil {
		t.Fatal(err)
	}
	first := func(x disk.Span) int {
		return slices.IndexFunc(order, func(s disk.Span) bool { return s.Overlaps(x) })
	}
	steps := []disk.Span{{Start: 500, Count: 9}, {Start: 511, Count: 1}, {Start: 100_100, Count: 1}, {Start: 150_000, Count: 1},
		{Start: 95_000, Count: 1}, {Start: 20_000, Count: 1}}
	for i := 1; i < len(steps); i++ {
		if first(steps[i-1]) > first(steps[i]) || first(steps[i]) < 0 {
			t.Errorf("%v is read before %v", steps[i], steps[i-1])
		}
	}
	tries := 0 // of the bad sector in a sample, before anything that sounds is read
	for _, s := range order[:first(steps[4])] {
		if s.Holds(60_032) {
			tries++
		}
	}
	if tries != 1 {
		t.Errorf("a bad sector of a sample is tried %d times before the sound is read", tries)
	}
	if r.Missing.Sectors() != 3 || len(r.Unread) > 0 || r.Classes[Sound].Safe != 30_000-128 || r.Classes[Samples].Lost != 1 {
		t.Errorf("missing %v, unread %v, classes %+v", r.Missing, r.Unread, r.Classes)
	}
	checkImage(t, d, m, r)
}

func TestWhatWasSkippedIsReadWhenItIsWanted(t *testing.T) {
	m := newMemory()
	d := newSim(20_000)
	skip := disk.Spans{{Start: 100, Count: 50}, {Start: 300, Count: 1}}
	if r := runSim(t, d, m, Options{Looks: 1, Skip: skip}); r.Skipped.Sectors() != 51 {
		t.Fatalf("skipped %v", r.Skipped)
	}
	r := runSim(t, d, m, Options{Looks: 1, Skip: skip[1:]})
	if r.Skipped.Sectors() != 1 || len(r.Unread) > 0 {
		t.Errorf("skipped %v, unread %v", r.Skipped, r.Unread)
	}
	checkImage(t, d, m, r)
}

// A hundred thousand extents are taken in at once.
func TestManyWishes(t *testing.T) {
	const n = 100_000
	e := &engine{rec: &record.Record{Drive: record.Drive{Sectors: 10 * n, SectorSize: 512}}, class: disk.NewValues[Class](10 * n)}
	e.rec.States = disk.NewValues[record.State](10 * n)
	var wishes []Wish
	for i := range disk.Sector(n) {
		wishes = append(wishes, Wish{disk.Span{Start: (i * 7919 % n) * 10, Count: 5}, Files})
	}
	t0 := time.Now()
	late, fresh := e.sort(wishes, []Class{Boot})
	if files := late.files; len(files) != n || len(fresh) != 0 || e.class.Get(10*7+4) != Files || e.class.Get(10*7+5) != Free {
		t.Errorf("%d files, %d fresh", len(late.files), len(fresh))
	}
	if took := time.Since(t0); took > 20*time.Second {
		t.Errorf("it took %v", took)
	}
}

// lateAdvisor names sectors only after a failure beside them has put them off.
type lateAdvisor struct{ late disk.Span }

func (a lateAdvisor) Next(_ context.Context, known image.Source) ([]Wish, error) {
	wishes := []Wish{{disk.Span{Start: 2048, Count: 8}, Boot}}
	if len(image.Unknown(known, disk.Span{Start: 2048, Count: 4})) == 0 {
		wishes = append(wishes, Wish{a.late, Boot})
	}
	return wishes, nil
}

// Sectors that were put off before anybody knew what they are for are read all
// the same, and with those of their class: also where only boot areas are wanted.
func TestSectorsThatAreNamedLateAreRead(t *testing.T) {
	for _, only := range []bool{true, false} {
		d := newSim(20_000, disk.Span{Start: 2054, Count: 1})
		tg := target
		m := newMemory()
		tg.Storage = m
		late := disk.Span{Start: 2060, Count: 100}
		r, err := Run(context.Background(), d, tg, Options{Time: d.simTime, OnlyBoot: only}, lateAdvisor{late}, nil)
		if err != nil || r.Stop != Done {
			t.Fatal(err, r.Stop)
		}
		if left := r.Unread.Within(late); len(left) > 0 || !only && len(r.Unread) > 0 {
			t.Errorf("only boot areas %v: unread %v", only, r.Unread)
		}
		checkImage(t, d, m, r)
	}
}

// stuckAdvisor looks until it is told to stop, or cannot read the image.
type stuckAdvisor struct {
	asked chan struct{}
	err   error
}

func (a stuckAdvisor) Next(ctx context.Context, _ image.Source) ([]Wish, error) {
	if a.err != nil {
		return nil, a.err
	}
	close(a.asked)
	<-ctx.Done()
	return nil, ctx.Err()
}

// A stop does not wait for a whole survey of what is known; and an image that cannot
// be read back ends the run with that.
func TestTheAdvisorStops(t *testing.T) {
	d := newSim(20_000)
	tg := target
	tg.Storage = newMemory()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	a := stuckAdvisor{asked: make(chan struct{})}
	go func() {
		<-a.asked
		cancel()
	}()
	if r, err := Run(ctx, d, tg, Options{Time: d.simTime}, a, nil); err != nil || r.Stop != Interrupted {
		t.Errorf("%+v, %v", r, err)
	}
	broken := errors.New("the disk of the image is broken")
	tg.Storage = newMemory()
	if _, err := Run(t.Context(), d, tg, Options{Time: d.simTime}, stuckAdvisor{err: broken}, nil); !errors.Is(err, broken) {
		t.Errorf("%v", err)
	}
}
