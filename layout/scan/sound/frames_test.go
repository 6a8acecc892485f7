package sound_test

import (
	"bytes"
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/sound/studio"
)

// TestFrames: streams of packed sound are found where they are, in every order of words, and
// not at the edge of a sector; the seconds are those of their frames.
func TestFrames(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	for _, s := range studio.Streams {
		for _, order := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
			b := s.Bytes(r, 500)
			all := studio.Noise(r, 2<<20)
			const at = 700_044
			copy(all[at:], b)
			order.Turn(all)
			src := flat(all)
			runs := find(t, src)
			if len(runs) != 1 {
				t.Fatalf("%s, %v: %d runs, wanted 1", s.Name, order, len(runs))
			}
			x := runs[0]
			seconds := 500 * float64(s.Per) / float64(s.Rate)
			if x.Start != at || x.Count != int64(len(b)) || math.Abs(x.Seconds-seconds) > 1e-9 || x.Format.Rate != s.Rate {
				t.Errorf("%s, %v: %+v, wanted %d bytes at %d, %.3f s", s.Name, order, x, len(b), at, seconds)
			}
			if got, err := io.ReadAll(x.Bytes(src)); err != nil || !bytes.Equal(got, b) {
				t.Errorf("%s, %v: its bytes are not those that were put in (%v)", s.Name, order, err)
			}
		}
	}
}

// TestFramesAcrossMissing: a stream goes on behind missing sectors, which are named with
// about the seconds that they held.
func TestFramesAcrossMissing(t *testing.T) {
	r := rand.New(rand.NewPCG(6, 6))
	for _, s := range studio.Streams {
		b := s.Bytes(r, 900)
		all := make([]byte, 1<<20)
		copy(all[512:], b)
		lost := disk.Span{Start: 100, Count: 20}
		runs := find(t, image.NewKnown(flat(all), disk.NewSpans(lost), nil))
		if len(runs) != 1 || runs[0].Count != int64(len(b)) || len(runs[0].Missing) != 1 || runs[0].Missing[0].Span != lost {
			t.Errorf("%s: %+v, wanted one run of %d bytes with %v missing", s.Name, runs, len(b), lost)
			continue
		}
		per := float64(s.Per) / float64(s.Rate)
		if got, want := runs[0].Seconds, 900*per; math.Abs(got-want) > 4*per {
			t.Errorf("%s: %.3f s, wanted about %.3f", s.Name, got, want)
		}
		held := 20 * 512 / float64(len(b)) * 900 * per
		if got := runs[0].Missing[0].Seconds; math.Abs(got-held) > 0.1*held {
			t.Errorf("%s: %.3f s are missing, wanted about %.3f", s.Name, got, held)
		}
	}
}

// TestFramesThatAreNone: headers in patterns, in a table of equal entries, and too few of them.
func TestFramesThatAreNone(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	pattern := bytes.Repeat([]byte{0xFF, 0xFB, 0x90, 0x64, 1, 2, 3, 4}, 1<<17)
	entry := studio.Noise(r, 576)
	copy(entry, []byte{0xFF, 0xFD, 0xA4, 0x04})
	few := studio.Noise(r, 1<<20)
	copy(few[4096:], studio.Streams[0].Bytes(r, 6))
	for name, b := range map[string][]byte{"pattern": pattern, "table": bytes.Repeat(entry, 2048)[:1<<20], "few": few} {
		if runs := find(t, flat(b)); len(runs) > 0 {
			t.Errorf("%s: %+v", name, runs)
		}
	}
}
