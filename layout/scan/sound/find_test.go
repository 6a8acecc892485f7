package sound_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/scan/sound"
)

// waveFile makes a RIFF file of type WAVE with 16-bit stereo of 44100 Hz, by the published
// description (Multimedia Programming Interface and Data Specifications 1.0).
func waveFile(pcm []byte) []byte {
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00")
	b = binary.LittleEndian.AppendUint32(b, 44100)
	b = binary.LittleEndian.AppendUint32(b, 4*44100)
	b = append(b, 4, 0, 16, 0)
	b = append(b, "data"...)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(pcm)))
	b = append(b, pcm...)
	binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-8))
	return b
}

func find(t *testing.T, src image.Source) []sound.Run {
	t.Helper()
	runs, err := sound.Find(context.Background(), src, []disk.Span{image.Whole(src)}, sound.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return runs
}

// TestWave: a WAVE file is found in every order of words, and its samples are those that
// were put in; a missing sector is named with its seconds and reads as silence.
func TestWave(t *testing.T) {
	pcm := make([]byte, 100_000)
	for i := range pcm {
		pcm[i] = byte(i * i >> 7)
	}
	const start = 40 * 512
	for _, order := range []image.Order{image.Plain, image.Swap16, image.Swap32} {
		all := make([]byte, 256<<10)
		copy(all[start:], waveFile(pcm))
		order.Turn(all)
		lost := disk.Span{Start: 50, Count: 2}
		src := image.NewKnown(imagetest.NewBytes(all, 512), disk.NewSpans(lost), nil)
		runs := find(t, src)
		if len(runs) != 1 {
			t.Fatalf("%v: %d runs, wanted 1", order, len(runs))
		}
		r := runs[0]
		if r.Start != start || r.Count != int64(44+len(pcm)) || r.Kind != sound.Wave || r.Format.Swap != order {
			t.Errorf("%v: %+v", order, r)
		}
		if want := 1024.0 / 4 / 44100; len(r.Missing) != 1 || r.Missing[0].Span != lost || r.Missing[0].Seconds != want {
			t.Errorf("%v: missing %+v, wanted %v with %v seconds", order, r.Missing, lost, want)
		}
		s, err := r.PCM(src)
		if err != nil {
			t.Fatal(err)
		}
		got, err := io.ReadAll(s)
		want := bytes.Clone(pcm)
		clear(want[10*512-44 : 12*512-44])
		if err != nil || !bytes.Equal(got, want) || s.Size() != int64(len(want)) {
			t.Errorf("%v: %d bytes (%v), not the samples that were put in", order, len(got), err)
		}
	}
}
