package order_test

import (
	"context"
	"encoding/binary"
	"testing"

	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/scan/order"
)

// TestSamplesTellWhatSounds: on a disk that nobody knows a sample of every 64 MiB is named,
// and when it is known the stretch that sounds, and no other.
func TestSamplesTellWhatSounds(t *testing.T) {
	const every, count = disk.Sector(64 << 20 / 512), disk.Sector(64 << 10 / 512)
	d := imagetest.New(5*every+1000, 512)
	song := recording(60 << 10)
	for i := range disk.Sector(5) {
		at := i*every + every/2
		switch i {
		case 1, 3: // recordings
			d.Put(at, song)
		case 2: // text
			text := make([]byte, 64<<10)
			for j := range text {
				text[j] = "the quick brown fox "[j%20]
			}
			d.Put(at, text)
		}
	}
	a := &order.Advisor{Ends: capture.Ends{Head: 1 << 20, Tail: 1 << 20}, Files: true, Sound: true}
	unread := disk.NewSpans(disk.Between(4096, 5*every-4096))
	var samples, heard []disk.Span
	for range 20 { // tables and volumes are looked for first
		wishes, err := a.Next(context.Background(), image.NewKnown(d, unread, nil))
		if err != nil {
			t.Fatal(err)
		}
		samples, heard = named(wishes)
		unread = less(unread, wishes)
	}
	if len(samples) != 5 || len(heard) != 0 {
		t.Fatalf("at first %v and %v are named", samples, heard)
	}
	for _, s := range samples {
		if s.Count != count || s.Start%count != 0 {
			t.Errorf("a sample of %v: one read does not take it", s)
		}
	}
	var left []disk.Span
	for _, u := range unread {
		left = append(left, disk.NewSpans(samples...).Outside(u)...)
	}
	wishes, err := a.Next(context.Background(), image.NewKnown(d, disk.NewSpans(left...), nil))
	if err != nil {
		t.Fatal(err)
	}
	_, heard = named(wishes)
	if len(heard) != 2 || heard[0] != (disk.Span{Start: every, Count: every}) || heard[1] != (disk.Span{Start: 3 * every, Count: every}) {
		t.Errorf("what sounds: %v", heard)
	}
}

// less returns what stays unread when all but samples and sound is read.
func less(unread disk.Spans, wishes []capture.Wish) disk.Spans {
	var read disk.Spans
	for _, w := range wishes {
		if w.Class != capture.Samples && w.Class != capture.Sound {
			read = read.Union(disk.Spans{w.Span})
		}
	}
	var out disk.Spans
	for _, u := range unread {
		out = append(out, read.Outside(u)...)
	}
	return out
}

func named(wishes []capture.Wish) (samples, heard []disk.Span) {
	for _, w := range wishes {
		switch w.Class {
		case capture.Samples:
			samples = append(samples, w.Span)
		case capture.Sound:
			heard = append(heard, w.Span)
		}
	}
	return samples, heard
}

// recording is a WAVE file of so many bytes of samples.
func recording(n int) []byte {
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x44\xac\x00\x00\x88\x58\x01\x00\x02\x00\x10\x00data")
	b = binary.LittleEndian.AppendUint32(b, uint32(n))
	binary.LittleEndian.PutUint32(b[4:], uint32(36+n))
	return append(b, make([]byte, n)...)
}
