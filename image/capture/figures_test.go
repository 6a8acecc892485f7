package capture

import (
	"context"
	"math/rand/v2"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// layoutAdvisor knows a table in sector 0 and, once that is read, what lies
// where: it stands for a real reader of tables.
type layoutAdvisor struct{ wishes []Wish }

func (a layoutAdvisor) Next(_ context.Context, known image.Source) ([]Wish, error) {
	if _, err := image.ReadSectors(known, disk.Span{Count: 1}); err != nil {
		return []Wish{{disk.Span{Count: 1}, Boot}}, nil
	}
	return a.wishes, nil
}

// scenario is a drive with a layout, and faults where they hurt.
type scenario struct {
	d      *simDrive
	wishes []Wish
	value  *disk.Values[bool]
	valued disk.Sector
}

// newScenario makes a disk of 256 MiB. A tenth of it is files; a scratch of bad
// sectors, some clusters and some lone bad sectors lie anywhere.
func newScenario(rng *rand.Rand) *scenario {
	const sectors = 1 << 19
	s := &scenario{value: disk.NewValues[bool](sectors)}
	add := func(c Class, at, n disk.Sector) {
		s.wishes = append(s.wishes, Wish{disk.Span{Start: at, Count: n}, c})
	}
	add(Boot, 0, 63)
	add(Boot, sectors-512, 512)
	add(Tables, 63, 1000)
	for range 10 {
		add(Directories, disk.Sector(2048+rng.IntN(sectors/2)), 64)
	}
	for range 25 {
		add(Files, disk.Sector(2048+rng.IntN(sectors-5_000)), disk.Sector(500+rng.IntN(3500)))
	}
	for _, w := range s.wishes {
		s.value.Set(w.Span, true)
	}
	var bad []disk.Span
	for range 1 + rng.IntN(3) { // scratches: long runs, one after another
		at := disk.Sector(rng.IntN(sectors - 20_000))
		for range 1 + rng.IntN(10) {
			n := disk.Sector(50 + rng.IntN(400))
			bad = append(bad, disk.Span{Start: at, Count: n})
			at += n + disk.Sector(rng.IntN(1500))
		}
	}
	for range rng.IntN(8) {
		bad = append(bad, disk.Span{Start: disk.Sector(rng.IntN(sectors)), Count: 1})
	}
	s.d = newSim(sectors, bad...)
	s.valued = s.value.Spans(disk.Span{Count: sectors}, true).Sectors()
	return s
}

// moment is a point of a run: time and bad visits so far, and what was got.
type moment struct {
	at            time.Duration
	visits        int
	valued, total disk.Sector
}

// history watches the drive and returns what was first read when.
func (s *scenario) history(run func(*simDrive)) []moment {
	var out []moment
	seen := disk.NewValues[bool](s.d.sectors)
	m := moment{}
	t0 := s.d.Now()
	s.d.onRead = func(sp disk.Span, failed bool) {
		m.at = s.d.Now().Sub(t0)
		out = append(out, m)
		if failed {
			m.visits++
			return
		}
		for _, f := range seen.Spans(sp, false) {
			m.total += f.Count
			m.valued += s.value.Spans(f, true).Sectors()
		}
		seen.Set(sp, true)
	}
	run(s.d)
	m.at = s.d.Now().Sub(t0)
	return append(out, m)
}

// plain reads forward in single sectors, without a second try.
func plain(d *simDrive) {
	buf := make([]byte, d.sectorSize)
	for x := range d.sectors {
		d.ReadAt(buf, int64(x)*int64(d.sectorSize))
	}
}

// at returns the last moment for which before says yes.
func at(h []moment, before func(moment) bool) moment {
	lo, hi := 0, len(h)
	for lo < hi {
		if mid := (lo + hi) / 2; before(h[mid]) {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return h[max(0, lo-1)]
}

func (s *scenario) ours(o Options) func(*simDrive) {
	return func(d *simDrive) {
		o.Time = d.simTime
		_, err := Run(context.Background(), d, Target{Storage: newMemory(), Image: "image"}, o, layoutAdvisor{s.wishes}, nil)
		if err != nil {
			panic(err)
		}
	}
}

// figures are those of one drive, against the plain reader.
type figures struct {
	firstLook   float64 // of the time that a healthy drive would take, until boot areas and tables are read
	worst, mean float64 // valued sectors against the plain reader, over all times of death
	byVisits    float64 // the same mean, with death after a number of bad visits
	at99        float64 // visits to bad sectors when 99 % are safe, of those of the plain reader in all
	loneMost    int     // visits of a lone bad sector
	perInRun    float64 // the most visits a sector in a run, on average over the run
	covered     float64 // the same, counting every sector that a failed read asked for
}

func measure(seed int64) figures {
	rng := func() *rand.Rand { return rand.New(rand.NewPCG(uint64(seed), 9)) }
	p, o := newScenario(rng()), newScenario(rng())
	hp := p.history(plain)
	ho := o.history(o.ours(Options{Looks: 1}))
	end := hp[len(hp)-1]
	f := figures{worst: 1e9}
	var n float64
	for k := 1; k <= 99; k++ {
		t := end.at * time.Duration(k) / 100
		a := at(hp, func(m moment) bool { return m.at <= t })
		b := at(ho, func(m moment) bool { return m.at <= t })
		ratio := float64(b.valued) / float64(max(1, a.valued))
		f.worst, f.mean, n = min(f.worst, ratio), f.mean+min(ratio, 100), n+1
		v := end.visits * k / 100
		a = at(hp, func(m moment) bool { return m.visits <= v })
		b = at(ho, func(m moment) bool { return m.visits <= v })
		f.byVisits += min(100, float64(b.valued)/float64(max(1, a.valued)))
	}
	f.mean, f.byVisits = f.mean/n, f.byVisits/n
	readable := o.d.sectors - o.d.badCount
	m := at(ho, func(m moment) bool { return m.total < readable*99/100 })
	f.at99 = float64(m.visits) / float64(end.visits)
	f.firstLook = float64(firstLook(ho, o)) / float64(healthy(o.d))
	for _, b := range o.d.badSpans() {
		v, c := 0, 0
		for x := b.Start; x < b.End(); x++ {
			v += o.d.touched[x]
			c += o.d.covered[x]
		}
		if b.Count == 1 {
			f.loneMost = max(f.loneMost, v)
			continue
		}
		f.perInRun = max(f.perInRun, float64(v)/float64(b.Count))
		f.covered = max(f.covered, float64(c)/float64(b.Count))
	}
	return f
}

// healthy is how long reading the whole drive takes, without bad sectors.
func healthy(d *simDrive) time.Duration { return time.Duration(d.sectors) * simGood }

// firstLook returns when as many valued sectors were read as boot areas and
// tables have: they are the first that are valued.
func firstLook(h []moment, s *scenario) time.Duration {
	head := disk.NewValues[bool](s.d.sectors)
	for _, w := range s.wishes {
		if w.Class == Boot || w.Class == Tables {
			head.Set(w.Span, true)
		}
	}
	var n disk.Sector
	for _, p := range head.Spans(disk.Span{Count: s.d.sectors}, true) {
		n += s.d.bad.Spans(p, false).Sectors()
	}
	return at(h, func(m moment) bool { return m.valued < n }).at
}

func TestFiguresAgainstAPlainForwardReader(t *testing.T) {
	var worst, mean, byVisits, look, n float64
	worst = 1e9
	for _, seed := range seeds(4, 200) {
		f := measure(seed)
		t.Logf("seed %d: %+v", seed, f)
		worst, look = min(worst, f.worst), max(look, f.firstLook)
		mean, byVisits, n = mean+f.mean, byVisits+f.byVisits, n+1
		if f.at99 > 0.5 {
			t.Errorf("seed %d: %.2f of the plain reader's visits when 99 %% are safe", seed, f.at99)
		}
		if f.loneMost > 4 || f.perInRun > 2 {
			t.Errorf("seed %d: %d visits of a lone bad sector, %.2f of one in a run", seed, f.loneMost, f.perInRun)
		}
	}
	t.Logf("first look within %.5f of the time; value at death: worst ratio %.2f, mean %.1f, by bad visits %.1f", look, worst, mean/n, byVisits/n)
	if worst < 1 || mean/n < 3 || byVisits/n < 3 || look > 0.005 {
		t.Error("the strategy does not keep what it promises")
	}
}

// On an unknown layout both ends of the disk are read within 1 % of the time:
// a disk of 20 GB, the sizes of head and tail left as they are.
func TestFirstLookAtADiskOfWhichNothingIsKnown(t *testing.T) {
	d := newSim(39_070_080)
	dir := t.TempDir()
	_, err := Run(context.Background(), d, Target{Storage: Disk{Dir: dir}, Image: dir + "/image"},
		Options{OnlyBoot: true, Looks: 1, Time: d.simTime}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	t0 := newSimTime().Now()
	if share := float64(d.Now().Sub(t0)) / float64(healthy(d)); share > 0.01 {
		t.Errorf("the first look takes %.4f of the time", share)
	}
}

// What a lone bad sector costs: reads beside those that a healthy drive would
// take, and visits. Many of them lie all over the disk, each in a block of its
// own with healthy neighbours.
func TestWhatALoneBadSectorCosts(t *testing.T) {
	const lone, every = 24, 8 * 2048
	rng := rand.New(rand.NewPCG(1, 15))
	healthy := newSim(lone * every)
	runSim(t, healthy, newMemory(), Options{Looks: 1})
	var bad []disk.Span
	for i := range disk.Sector(lone) {
		bad = append(bad, disk.Span{Start: i*every + disk.Sector(rng.IntN(every)), Count: 1})
	}
	d := newSim(lone*every, bad...)
	if r := runSim(t, d, newMemory(), Options{Looks: 1}); r.Stop != Done || r.Missing.Sectors() != lone {
		t.Fatalf("%+v", r)
	}
	visits := 0
	for _, b := range bad {
		visits = max(visits, d.touched[b.Start])
	}
	reads := float64(d.reads-healthy.reads) / lone
	t.Logf("%.1f reads and at most %d visits for each lone bad sector", reads, visits)
	if reads > 36 || visits > 4 {
		t.Errorf("%.1f reads and %d visits for each lone bad sector", reads, visits)
	}
}
