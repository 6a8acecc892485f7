package capture

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

func codes(findings []disk.Finding) []string {
	var out []string
	for _, f := range findings {
		out = append(out, string(f.Code))
	}
	return out
}

// unsampled returns a sector of a span at which a run that begins does not look.
func unsampled(t *testing.T, m *memory) disk.Sector {
	t.Helper()
	rec, err := readFrom(m.files["image.record"])
	if err != nil {
		t.Fatal(err)
	}
	var prints []anchor
	for _, set := range []disk.Spans{rec.Proven(), rec.Read()} {
		p, err := telling(rec, m.files["image"], set, int(newSim(1).simTime.Now().UnixMilli()%1021))
		if err != nil {
			t.Fatal(err)
		}
		prints = append(prints, p...)
	}
	few := rec.Sample()
	for s := range rec.InForce() {
		told := slices.ContainsFunc(prints, func(a anchor) bool { return s.Span.Holds(a.at) }) || slices.ContainsFunc(rec.Latest(), s.Span.Overlaps)
		if sampled := few(s.Span); !sampled && !told && s.Span.Start > 40_000 {
			return s.Span.Start + s.Span.Count/2
		}
	}
	t.Fatal("a run that begins looks at all spans")
	return 0
}

// An image that something else has written into between two runs: one sector
// that no sample meets, all of it, or the sectors by which a drive is known. It
// is not blamed on the drive; the place is named, and read anew.
func TestAnImageThatWasChangedBetweenTwoRuns(t *testing.T) {
	bad := []disk.Span{{Start: 30_000, Count: 3}}
	for name, p := range map[string]struct {
		change disk.Span
		cut    int  // bytes that are cut off the end
		stop   Stop // of the next run
	}{
		"one sector":           {disk.Span{Count: 1}, 0, ImageChanged},
		"all of it":            {disk.Span{Start: 0, Count: 100_000}, 0, Done},
		"the first MiB":        {disk.Span{Start: 0, Count: 2048}, 0, Done},
		"the other half":       {disk.Span{Start: 50_000, Count: 50_000}, 0, Done},
		"cut by half a sector": {disk.Span{}, 256, Done},
		"cut in the middle":    {disk.Span{}, 50_000 * 512, Done},
		"empty":                {disk.Span{}, 100_000 * 512, Done},
	} {
		m := newMemory()
		runSim(t, newSim(100_000, bad...), m, Options{Looks: 1, Hash: true})
		img := m.files["image"].now
		want := bytes.Clone(img)
		x := unsampled(t, m)
		if name == "one sector" {
			img[x*512+5] ^= 1
		} else {
			clear(img[p.change.Start*512 : p.change.End()*512])
		}
		m.files["image"].now = img[:len(img)-p.cut]
		d := newSim(100_000, bad...)
		r := runSim(t, d, m, Options{Looks: 1, Hash: true})
		if r.Stop != p.stop || !slices.Contains(codes(r.Findings), "image-changed") {
			t.Fatalf("%s: stopped %q, findings %v", name, r.Stop, r.Findings)
		}
		if p.stop == ImageChanged {
			if n := r.Unread.Sectors(); n == 0 || n > 2048 || !r.Unread.Holds(x) || r.SHA256 != nil {
				t.Errorf("%s: unread %v", name, r.Unread)
			}
			r = runSim(t, newSim(100_000, bad...), m, Options{Looks: 1, Hash: true})
		}
		if r.Stop != Done || len(r.Unread) > 0 || !bytes.Equal(m.files["image"].now, want) || r.SHA256 == nil {
			t.Errorf("%s: in the end stopped %q, unread %v, the image as it was: %v", name, r.Stop, r.Unread, bytes.Equal(m.files["image"].now, want))
		}
		checkImage(t, d, m, r)
	}
}

// A drive that does not answer any more costs nothing but what was changed.
func TestAChangedImageOfADriveThatIsDead(t *testing.T) {
	m := newMemory()
	runSim(t, newSim(100_000), m, Options{Looks: 1, Hash: true})
	m.files["image"].now[unsampled(t, m)*512] ^= 1
	if r := runSim(t, newSim(100_000), m, Options{Looks: 1, Hash: true}); r.Stop != ImageChanged {
		t.Fatalf("stopped %q", r.Stop)
	}
	d := newSim(100_000)
	d.goneAfter = 0
	tg := Target{Storage: m, Image: "image"}
	if r, err := Run(context.Background(), d, tg, Options{Looks: 1, Hash: true, Time: d.simTime}, nil, nil); err == nil && r.Stop != DriveGone {
		t.Errorf("stopped %q", r.Stop)
	}
	rec, err := readFrom(m.files["image.record"])
	if err != nil {
		t.Fatal(err)
	}
	if n := rec.Unread().Sectors(); n == 0 || n > 2048 || rec.Read().Sectors() != 100_000-n {
		t.Errorf("%d sectors unread, %d read", n, rec.Read().Sectors())
	}
}

// A record that ends at any line, or within one, with the image as it was in the
// end: the next run comes to the same image and the same record.
func TestARecordCutAtAnyLine(t *testing.T) {
	d := func() *simDrive {
		return newSim(9000, disk.Span{Start: 700, Count: 1}, disk.Span{Start: 5000, Count: 30})
	}
	o := Options{Looks: 2, Hash: true}
	m := newMemory()
	whole := runSim(t, d(), m, o)
	img, text := m.files["image"].now, m.files["image.record"].now
	at, every := 0, 2 // lines
	switch {
	case need.Long():
		every = 1
	case testing.Short():
		every = 8
	}
	for i, line := range bytes.SplitAfter(text, []byte("\n")) {
		for _, cut := range []int{at, at + len(line)/2, at + len(line) - 1} {
			if cut < 0 || cut > len(text) || cut < at || i > 2 && i%every > 0 {
				continue
			}
			m := newMemory()
			m.files["image"] = &memFile{m: m, now: bytes.Clone(img)}
			m.files["image.record"] = &memFile{m: m, now: bytes.Clone(text[:cut])}
			if torn, err := record.IsTornOpening(m.files["image.record"]); err != nil {
				t.Fatal(err)
			} else if torn { // then there is no image yet
				m.files["image"].now = nil
			}
			drive := d()
			r := runSim(t, drive, m, o)
			if r.Stop != Done || !slices.Equal(r.Missing, whole.Missing) || len(r.Unread) > 0 || len(r.Unstable) > 0 || !bytes.Equal(m.files["image"].now, img) {
				t.Fatalf("cut at byte %d, in line %d: stopped %q, missing %v, unread %v", cut, i+1, r.Stop, r.Missing, r.Unread)
			}
			rec, err := readFrom(m.files["image.record"])
			if err != nil || rec.Image == nil || *rec.Image != *whole.SHA256 || !slices.Equal(rec.Missing(), whole.Missing) {
				t.Fatalf("cut at byte %d: %v", cut, err)
			}
		}
		at += len(line)
	}
}

// A shorter file of which nothing is what was read, and a longer one, stay as they
// are: only what was cut off its end is an image to go on with.
func TestAnotherFileInThePlaceOfTheImageStays(t *testing.T) {
	for name, c := range map[string]struct {
		change func(img []byte) []byte
		why    string
	}{
		"another file": {func([]byte) []byte { return bytes.Repeat([]byte("letter "), 400_000) }, "nothing in the image"},
		"longer":       {func(img []byte) []byte { return append(img, "mine"...) }, "truncate -s 51200000 cuts"},
	} {
		m := newMemory()
		runSim(t, newSim(100_000), m, Options{Looks: 1, Hash: true})
		m.files["image"].now = c.change(m.files["image"].now)
		before := bytes.Clone(m.files["image"].now)
		d := newSim(100_000)
		_, err := Run(context.Background(), d, Target{Storage: m, Image: "image"}, Options{Time: d.simTime}, nil, nil)
		var mismatch *record.MismatchError
		if !errors.As(err, &mismatch) || !strings.Contains(err.Error(), c.why) || !bytes.Equal(m.files["image"].now, before) {
			t.Errorf("%s: %v, the file as it was: %v", name, err, bytes.Equal(m.files["image"].now, before))
		}
	}
}

// While an image that was cut short is brought back to its size, it is short, or the
// record no longer says that what it lost is good: whenever the run ends.
func TestACutImageIsShortUntilTheRecordSaysWhatItLost(t *testing.T) {
	whole := newMemory()
	runSim(t, newSim(9000, disk.Span{Start: 8000, Count: 3}), whole, Options{Looks: 1, Hash: true})
	for at, long := 1, false; ; at++ {
		m := newMemory()
		m.files["image"] = &memFile{m: m, now: bytes.Clone(whole.files["image"].now[:3000*512])}
		m.files["image.record"] = &memFile{m: m, now: bytes.Clone(whole.files["image.record"].now)}
		m.cutAt = at
		d := newSim(9000, disk.Span{Start: 8000, Count: 3})
		_, err := Run(context.Background(), d, Target{Storage: m, Image: "image"}, Options{Looks: 1, Time: d.simTime}, nil, nil)
		if err == nil && at > m.ops {
			if !long {
				t.Error("the image never got its size")
			}
			return
		}
		if m.cutAt = 0; len(m.files["image"].now) != 9000*512 {
			continue
		}
		long = true
		rec, err := readFrom(m.files["image.record"])
		if err != nil {
			t.Fatal(err)
		}
		changed, err := rec.Changed(m.files["image"], func(disk.Span) bool { return true })
		if err != nil || len(changed) > 0 {
			t.Fatalf("ended at operation %d: the image has its size and not sectors %v: %v", at, changed, err)
		}
	}
}
