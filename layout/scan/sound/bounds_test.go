package sound_test

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/studio"
)

// noHoles is a sparse source of which nobody may read what is not stored.
type noHoles struct {
	*imagetest.Disk
	t *testing.T
}

func (d noHoles) ReadAt(p []byte, off int64) (int, error) {
	for at := off; at < off+int64(len(p)); {
		start, end := d.NextData(at)
		if start > at {
			d.t.Errorf("bytes %d to %d are read, and %d to %d are a hole", off, off+int64(len(p)), at, start)
			break
		}
		at = end
	}
	return d.Disk.ReadAt(p, off)
}

// TestTerabyteOfZeros: a disk of a terabyte with one recording in it is looked through, its
// holes are not read, and what is found is where it was put.
func TestTerabyteOfZeros(t *testing.T) {
	s := newShelf(4)
	s.record(stereo, "", 6)
	d := imagetest.New(1<<31, 512)
	const at = 1 << 30
	d.Put(at, s.bytes)
	runs := find(t, noHoles{d, t})
	if len(runs) != 1 || runs[0].Start < at*512 || runs[0].Start > at*512+4096 || runs[0].Format.Channels != 2 {
		t.Errorf("%+v, wanted one run at %d", runs, int64(at)*512)
	}
}

// TestMissingInside: missing sectors do not end a recording of samples. They are named with
// their seconds, and are silence of the right length in what is read.
func TestMissingInside(t *testing.T) {
	s := newShelf(6)
	s.record(stereo, "", 10)
	s.bytes = append(make([]byte, 1<<20), s.bytes...)
	s.all[0].at = 1 << 20
	lost := []disk.Span{{Start: 2500, Count: 3}, {Start: 3000, Count: 400}}
	src := image.NewKnown(flat(s.bytes), disk.NewSpans(lost...), nil)
	runs := find(t, src)
	if len(runs) != 1 || len(runs[0].Missing) != 2 {
		t.Fatalf("%+v, wanted one run with two gaps", runs)
	}
	r := runs[0]
	for i, g := range r.Missing {
		want := float64(lost[i].Count) * 512 / 4 / 44100
		if g.Span != lost[i] || g.Seconds < 0.999*want || g.Seconds > 1.001*want {
			t.Errorf("%+v, wanted %v with %.4f s", g, lost[i], want)
		}
	}
	in, err := r.PCM(src)
	if err != nil {
		t.Fatal(err)
	}
	got, err := io.ReadAll(in)
	if err != nil {
		t.Fatal(err)
	}
	want := bytes.Clone(s.all[0].rec.PCM()[r.Start-1<<20:])
	for _, l := range lost {
		clear(want[int64(l.Start)*512-r.Start:][:l.Count*512])
	}
	if n := min(len(got), len(want)); n < 9*4*44100 || !bytes.Equal(got[:n], want[:n]) {
		t.Errorf("%d bytes of samples are not those that were put in, with silence for what is missing", len(got))
	}
}

// TestStartsInASector: a recording that begins at no edge of a sector, behind a header of
// which nothing is known, begins with its first samples.
func TestStartsInASector(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 7))
	for _, f := range []sound.Format{stereo, {Bits: 24, Width: 3, Order: sound.Little, Channels: 2}} {
		rec := studio.Record(r, f, [][]float64{studio.Organ(r, 44100, 300_000), studio.Plucked(r, 44100, 300_000)})
		const at = 1<<20 + 204
		all := studio.Noise(r, at)
		all = append(all, rec.Bytes(at)...)
		all = append(all, studio.Noise(r, 1<<20-len(all)&511)...)
		runs := find(t, flat(all))
		if len(runs) != 1 {
			t.Fatalf("%d runs, wanted 1: %+v", len(runs), runs)
		}
		x := runs[0]
		if off := x.Start - at; off < -64 || off > 64 || off%int64(f.Width) != 0 || x.Format.Width != f.Width {
			t.Errorf("it begins %d bytes off: %+v", off, x)
		}
	}
}

// TestSpansAreKept: nothing is read outside the spans, and a recording that lies across two
// that touch is one.
func TestSpansAreKept(t *testing.T) {
	s := newShelf(8)
	s.record(stereo, "", 12)
	sectors := disk.Sector(len(s.bytes) / 512)
	for _, spans := range [][]disk.Span{
		{{Start: 0, Count: sectors / 2}, {Start: sectors / 2, Count: sectors - sectors/2}},
		{{Start: 1000, Count: 1500}},
		{{Start: sectors - 10, Count: 1 << 40}, {Start: 900, Count: 1000}},
	} {
		var moved disk.Sector
		src := image.NewKnown(flat(s.bytes), disk.NewSpans(spans...).Outside(image.Whole(flat(s.bytes))), nil)
		runs, err := sound.Find(context.Background(), src, spans, sound.Options{Moved: func(n disk.Sector) { moved += n }})
		if err != nil {
			t.Fatal(err)
		}
		whole := disk.NewSpans(spans...).Within(image.Whole(src))
		if len(runs) != 1 || moved != whole.Sectors() {
			t.Errorf("%v: %d runs, and %d of %d sectors were told", spans, len(runs), moved, whole.Sectors())
		}
		for _, r := range runs {
			if !slices.ContainsFunc(whole, func(w disk.Span) bool {
				return r.Start >= int64(w.Start)*512 && r.End() <= int64(w.End())*512
			}) {
				t.Errorf("%v: the run at %d of %d bytes lies outside", spans, r.Start, r.Count)
			}
		}
	}
}

// TestCancelled: the search ends when it is told to.
func TestCancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := sound.Find(ctx, flat(make([]byte, 1<<20)), []disk.Span{{Count: 2048}}, sound.Options{})
	if err != context.Canceled {
		t.Errorf("%v, wanted that it was cancelled", err)
	}
}

// TestSounds: a sample of 64 KiB out of a recording sounds, one of anything else does not.
func TestSounds(t *testing.T) {
	s := newShelf(9)
	s.record(stereo, "", 8)
	s.record(sound.Format{Bits: 24, Width: 3, Order: sound.Big, Channels: 8}, "", 4)
	sounds := func(b []byte) bool {
		t.Helper()
		yes, err := sound.Sounds(context.Background(), flat(b), disk.Span{Count: disk.Sector(len(b) / 512)})
		if err != nil {
			t.Fatal(err)
		}
		return yes
	}
	heard, tried := 0, 0
	for at := 1 << 18; at+64<<10 <= len(s.bytes); at += 200 << 10 {
		tried++
		if sounds(s.bytes[at/512*512:][:64<<10]) {
			heard++
		}
	}
	if 10*heard < 8*tried {
		t.Errorf("%d of %d samples of recordings sound", heard, tried)
	}
	for name, decoy := range studio.Decoys {
		hits := 0
		for range 10 {
			if sounds(decoy(s.r, 64<<10)) {
				hits++
			}
		}
		if hits > 5 {
			t.Errorf("%d of 10 samples of %s sound", hits, name)
		}
	}
}

// TestMemory: what is kept does not grow with the disk.
func TestMemory(t *testing.T) {
	s := newShelf(10)
	s.record(sound.Format{Bits: 16, Width: 2, Order: sound.Little, Channels: 8, Block: 16 << 10}, "", 30)
	src := flat(s.bytes)
	runtime.GC()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	most := uint64(0)
	_, err := sound.Find(context.Background(), src, []disk.Span{image.Whole(src)}, sound.Options{Moved: func(disk.Sector) {
		runtime.ReadMemStats(&after)
		most = max(most, after.HeapInuse)
	}})
	if err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	most = max(most, after.HeapInuse)
	const bound = 128 << 20
	if held := int64(most) - int64(before.HeapInuse); held > bound {
		t.Errorf("%d MiB are held, wanted at most %d", held>>20, bound>>20)
	}
}

// FuzzFind: whatever lies on a disk, the search ends, and its runs lie in order inside the
// disk and can be read.
func FuzzFind(f *testing.F) {
	r := rand.New(rand.NewPCG(11, 11))
	s := newShelf(12)
	s.record(stereo, "", 1)
	f.Add(s.bytes, uint16(40))
	f.Add(append(make([]byte, 512), waveFile(studio.Noise(r, 5000))...), uint16(3))
	f.Add([]byte("FORM\x00\x00\x00\x40AIFFCOMM\x00\x00\x00\x12\x00\x02\x00\x00\x00\x10\x00\x10\x40\x0E\xAC\x44"),
		uint16(0))
	for _, stream := range studio.Streams {
		f.Add(stream.Bytes(r, 40), uint16(9))
	}
	f.Fuzz(func(t *testing.T, b []byte, lost uint16) {
		if len(b) > 1<<20 {
			return
		}
		b = append(b, make([]byte, -len(b)&511)...)
		// Repeated, so that short inputs make long runs.
		for len(b) > 0 && len(b) < 128<<10 {
			b = append(b, b...)
		}
		src := image.NewKnown(flat(b), disk.NewSpans(disk.Span{Start: disk.Sector(lost), Count: 3}), nil)
		runs, err := sound.Find(context.Background(), src, []disk.Span{image.Whole(src)}, sound.Options{})
		if err != nil {
			t.Fatal(err)
		}
		end := int64(0)
		for _, x := range runs {
			if x.Start < end || x.Count <= 0 || x.End() > src.Size() || x.Data.Start < x.Start || x.Data.End() > x.End() {
				t.Fatalf("%+v behind %d on a disk of %d bytes", x, end, src.Size())
			}
			end = x.End()
			if n, err := io.Copy(io.Discard, x.Bytes(src)); n != x.Count || err != nil {
				t.Fatalf("%d of %d bytes are read: %v", n, x.Count, err)
			}
			if in, err := x.PCM(src); err == nil {
				if n, err := io.Copy(io.Discard, in); n != in.Size() || err != nil {
					t.Fatalf("%d of %d bytes of samples are read: %v", n, in.Size(), err)
				}
			}
		}
	})
}
