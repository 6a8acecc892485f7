package sound_test

import (
	"bytes"
	"io"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/studio"
)

// placed is a recording on an invented disk.
type placed struct {
	at, count int64
	rec       *studio.Recording
	name      string
}

// shelf is an invented disk: recordings with something else between them.
type shelf struct {
	r      *rand.Rand
	bytes  []byte
	all    []placed
	others []other
}

// other is where something begins that is no sound.
type other struct {
	at   int64
	name string
}

// before returns what was put before byte at last that is no sound, and what comes next.
func (s *shelf) before(at int64) (was, next string) {
	for _, o := range s.others {
		if o.at > at {
			return was, o.name
		}
		was = o.name
	}
	return was, "nothing"
}

func newShelf(seed uint64) *shelf { return &shelf{r: rand.New(rand.NewPCG(seed, 18))} }

// decoy adds about so many bytes that are no sound, up to the edge of a sector.
func (s *shelf) decoy(n int) {
	names := slices.Sorted(maps.Keys(studio.Decoys))
	n = (n/2 + s.r.IntN(n)) / 512 * 512
	name := names[s.r.IntN(len(names))]
	s.others = append(s.others, other{int64(len(s.bytes)), name})
	s.bytes = append(s.bytes, studio.Decoys[name](s.r, n)...)
}

// blank adds zeros.
func (s *shelf) blank(n int) { s.bytes = append(s.bytes, make([]byte, n/512*512)...) }

// record adds a recording at the edge of a sector.
func (s *shelf) record(f sound.Format, name string, seconds int) {
	rate := 44100
	var tracks [][]float64
	if f.Channels <= 2 && f.Block == 0 {
		tracks = studio.Stereo(s.r, rate, rate*seconds)[:f.Channels]
	} else {
		tracks = studio.Tracks(s.r, rate, f.Channels, rate*seconds)
	}
	rec := studio.Record(s.r, f, tracks)
	b := rec.Bytes(int64(len(s.bytes)))
	s.all = append(s.all, placed{int64(len(s.bytes)), int64(len(b)), rec, name})
	s.bytes = append(s.bytes, b...)
	s.bytes = append(s.bytes, make([]byte, -len(b)&511)...)
}

// score is what was found of a kind of recording, in seconds.
type score struct{ all, found, right float64 }

// judge holds runs against what was placed: which seconds were found, which of these in
// the right form, and how much of what is no sound was taken for it.
func (s *shelf) judge(runs []sound.Run, scores map[string]*score) (falseSeconds float64) {
	for i := range s.all {
		p := &s.all[i]
		sc := scores[p.name]
		if sc == nil {
			sc = &score{}
			scores[p.name] = sc
		}
		per := float64(p.rec.Samples()) / 44100 / float64(p.count)
		sc.all += per * float64(p.count)
		for _, r := range runs {
			n := min(r.End(), p.at+p.count) - max(r.Start, p.at)
			if n <= 0 {
				continue
			}
			sc.found += per * float64(n)
			if sameForm(r, p) {
				sc.right += per * float64(n)
			}
		}
	}
	for _, r := range runs {
		inside := int64(0)
		for _, p := range s.all {
			inside += max(0, min(r.End(), p.at+p.count)-max(r.Start, p.at))
		}
		falseSeconds += r.Seconds * float64(r.Count-inside) / float64(r.Count)
	}
	return falseSeconds
}

// sameForm tells whether a run reads what was placed as it was written: all but the rate,
// and which channel comes first.
func sameForm(r sound.Run, p *placed) bool {
	f, g := r.Format, p.rec.Format
	f.Rate, g.Rate = 0, 0
	f.Swap, g.Swap = max(1, f.Swap), max(1, g.Swap)
	if f.Bits == 16 && f.Width == 2 && g.Swap == image.Swap16 { // the same bytes
		g.Swap, g.Order = image.Plain, map[sound.Order]sound.Order{sound.Little: sound.Big, sound.Big: sound.Little}[g.Order]
	}
	if f.Bits == 16 && g.Swap == image.Swap32 && g.Channels%2 == 0 { // pairs of channels exchanged
		g.Swap, g.Order = image.Plain, map[sound.Order]sound.Order{sound.Little: sound.Big, sound.Big: sound.Little}[g.Order]
	}
	unit := int64(f.Width)
	if f.Block > 0 {
		unit = f.Block
	}
	return f == g && (r.Start-p.at)%unit == 0
}

// forms are the forms in which recordings are tried, and the share of their seconds that
// must be found and rightly read.
var forms = []struct {
	name    string
	format  sound.Format
	seconds int
	bar     float64
}{
	{"16 mono", sound.Format{Bits: 16, Width: 2, Order: sound.Little, Channels: 1}, 10, 0.98},
	{"16 stereo", sound.Format{Bits: 16, Width: 2, Order: sound.Little, Channels: 2}, 10, 0.98},
	{"16 swapped", sound.Format{Bits: 16, Width: 2, Order: sound.Little, Channels: 2, Swap: image.Swap16}, 10, 0.98},
	{"16 reversed mono", sound.Format{Bits: 16, Width: 2, Order: sound.Little, Channels: 1, Swap: image.Swap32}, 10, 0.98},
	{"16 reversed", sound.Format{Bits: 16, Width: 2, Order: sound.Little, Channels: 2, Swap: image.Swap32}, 10, 0.98},
	{"24 packed", sound.Format{Bits: 24, Width: 3, Order: sound.Little, Channels: 2}, 6, 0.98},
	{"24 swapped", sound.Format{Bits: 24, Width: 3, Order: sound.Big, Channels: 2, Swap: image.Swap16}, 6, 0.98},
	{"24 reversed", sound.Format{Bits: 24, Width: 3, Order: sound.Little, Channels: 2, Swap: image.Swap32}, 6, 0.98},
	{"24 in 32 high", sound.Format{Bits: 24, Width: 4, Order: sound.Big, Channels: 2}, 6, 0.98},
	{"24 in 32 low", sound.Format{Bits: 24, Width: 4, Order: sound.Little, Channels: 2, Low: true}, 6, 0.98},
	{"8 unsigned", sound.Format{Bits: 8, Width: 1, Order: sound.Little, Channels: 1, Unsigned: true}, 12, 0.98},
	{"8 signed", sound.Format{Bits: 8, Width: 1, Order: sound.Little, Channels: 2}, 12, 0.98},
	{"16 by 24", sound.Format{Bits: 16, Width: 2, Order: sound.Little, Channels: 24}, 3, 0.98},
	{"16 by 8 big", sound.Format{Bits: 16, Width: 2, Order: sound.Big, Channels: 8}, 4, 0.98},
	{"24 by 24", sound.Format{Bits: 24, Width: 3, Order: sound.Big, Channels: 24}, 3, 0.98},
	{"blocks of 4, 24", sound.Format{Bits: 16, Width: 2, Order: sound.Little, Channels: 24, Block: 4 * 512}, 5, 0.95},
	{"blocks of 64, 16", sound.Format{Bits: 16, Width: 2, Order: sound.Big, Channels: 16, Block: 64 * 512}, 8, 0.95},
	{"blocks of 256, 8", sound.Format{Bits: 16, Width: 2, Order: sound.Little, Channels: 8, Block: 256 * 512}, 12, 0.95},
}

// TestFigures: recordings in every form, between other things and blank, are found where
// they are and read as they were written; what is found is told in seconds. BOOTGRAFT_LONG=1
// takes more disks.
func TestFigures(t *testing.T) {
	scores := map[string]*score{}
	falsely, total, others := 0.0, 0, int64(0)
	for _, seed := range need.Seeds(1, 12) {
		s := newShelf(uint64(seed))
		for _, f := range forms {
			s.decoy(1 << 20)
			if s.r.IntN(2) == 0 {
				s.blank(s.r.IntN(1 << 20))
			}
			s.record(f.format, f.name, f.seconds)
		}
		s.decoy(1 << 20)
		total += len(s.bytes)
		src := flat(s.bytes)
		runs := find(t, src)
		falsely += s.judge(runs, scores)
		others += int64(len(s.bytes))
		for _, p := range s.all {
			others -= p.count
		}
		for _, r := range runs {
			s.samples(t, src, r)
		}
		if testing.Verbose() {
			s.explain(t, runs)
		}
	}
	for _, f := range forms {
		sc := scores[f.name]
		t.Logf("%-18s %6.1f s: found %5.1f %%, rightly read %5.1f %%",
			f.name, sc.all, 100*sc.found/sc.all, 100*sc.right/sc.all)
		if sc.right < f.bar*sc.all {
			t.Errorf("%s: %.1f of %.1f s are rightly read, wanted %.0f %%", f.name, sc.right, sc.all, 100*f.bar)
		}
	}
	t.Logf("%.3f s of %d MB, %d MB of it no recordings, are taken for sound and are none", falsely, total>>20, others>>20)
	if falsely > float64(others)/(1<<30) {
		t.Errorf("%.3f s are taken for sound and are none: more than a second in a gigabyte of what is no sound", falsely)
	}
}

// TestEdges: where short recordings stand between other things with nothing in front of them
// or behind, what is taken for more of them is 5 ms an edge at most.
func TestEdges(t *testing.T) {
	falsely, edges := 0.0, 0
	for _, seed := range need.Seeds(1, 12) {
		s := newShelf(uint64(200 + seed))
		for _, i := range s.r.Perm(len(forms)) {
			s.decoy(256 << 10)
			if forms[i].format.Block == 0 {
				s.record(forms[i].format, forms[i].name, 2)
			}
		}
		s.decoy(256 << 10)
		runs := find(t, flat(s.bytes))
		falsely += s.judge(runs, map[string]*score{})
		edges += 2 * len(s.all)
		if testing.Verbose() {
			s.explain(t, runs)
		}
	}
	t.Logf("%.3f s at %d edges are taken for sound and are none", falsely, edges)
	if falsely > 0.005*float64(edges) {
		t.Errorf("%.3f s at %d edges are taken for sound and are none", falsely, edges)
	}
}

// TestPicturesInFront: a recording behind pictures of three colours is found, though these may
// open a run that ends where it begins, or goes on into it.
func TestPicturesInFront(t *testing.T) {
	for _, seed := range need.Seeds(12, 100) {
		s := newShelf(uint64(300 + seed))
		s.bytes = studio.RGB(s.r, (500+s.r.IntN(500))<<9)
		s.record(forms[1].format, forms[1].name, 10)
		scores := map[string]*score{}
		s.judge(find(t, flat(s.bytes)), scores)
		if sc := scores[forms[1].name]; sc.right < 0.8*sc.all {
			t.Errorf("seed %d: %.1f of %.1f s are rightly read", seed, sc.right, sc.all)
		}
	}
}

// samples holds what a run gives against the samples that were put in: byte for byte, from
// where the run begins.
func (s *shelf) samples(t *testing.T, src image.Source, r sound.Run) {
	t.Helper()
	for i := range s.all {
		p := &s.all[i]
		if !sameForm(r, p) || r.Start < p.at || r.Start >= p.at+p.count {
			continue
		}
		unit := r.Format.Frame()
		if r.Format.Block > 0 {
			unit = r.Format.Block * int64(r.Format.Channels)
		}
		if (r.Start-p.at)%unit != 0 || r.Format.Swap != max(1, p.rec.Format.Swap) {
			continue // the same samples, with channels in another order
		}
		in, err := r.PCM(src)
		if err != nil {
			t.Fatal(err)
		}
		got, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		want := p.rec.PCM()
		want = want[min(int64(len(want)), (r.Start-p.at)/int64(r.Format.Width)*int64(r.Format.Bits/8)):]
		n := min(len(got), len(want))
		if int64(len(got)) != in.Size() || !bytes.Equal(got[:n], want[:n]) {
			t.Errorf("%s: the run at %d does not give the samples that were put in", p.name, r.Start)
		}
	}
}

// explain logs what was found of each recording, and what was found where none is.
func (s *shelf) explain(t *testing.T, runs []sound.Run) {
	for _, p := range s.all {
		for _, r := range runs {
			begins, ends := r.Start-p.at, r.End()-p.at-p.count
			if begins < p.count && ends > -p.count && (!sameForm(r, &p) || max(abs(begins), abs(ends)) > 4096) {
				was, next := s.before(p.at)
				t.Logf("between %s and %s, %s at %d: %+v, begins %d and ends %d bytes off",
					was, next, p.name, p.at, r.Format, begins, ends)
			}
		}
	}
	for _, r := range runs {
		if !slices.ContainsFunc(s.all, func(p placed) bool { return r.End() > p.at && r.Start < p.at+p.count }) {
			was, _ := s.before(r.Start)
			t.Logf("no recording lies at %d, but %s: %d bytes of %+v, %s", r.Start, was, r.Count, r.Format, r.Why)
		}
	}
}

func abs(x int64) int64 { return max(x, -x) }

// TestDecoys: nothing is found in what is no sound.
func TestDecoys(t *testing.T) {
	falsely, total := 0.0, 0
	for _, seed := range need.Seeds(1, 20) {
		r := rand.New(rand.NewPCG(uint64(seed), 99))
		for _, name := range slices.Sorted(maps.Keys(studio.Decoys)) {
			b := studio.Decoys[name](r, 2<<20)
			total += len(b)
			for _, run := range find(t, flat(b)) {
				falsely += run.Seconds
				t.Logf("%s, seed %d: %.1f s of %s %+v at %d: %s", name, seed, run.Seconds, run.Kind, run.Format, run.Start, run.Why)
			}
		}
	}
	t.Logf("%.2f s in %d MB", falsely, total>>20)
	if falsely > float64(total)/(1<<30) {
		t.Errorf("%.2f s in %d MB are taken for sound: more than a second in a gigabyte", falsely, total>>20)
	}
}
