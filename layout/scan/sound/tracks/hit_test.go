package tracks_test

import (
	"context"
	"encoding/binary"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/scan/sound/tracks"
)

// waved is a WAVE file of 16-bit mono at 8000 Hz, by the published description (Multimedia
// Programming Interface and Data Specifications 1.0).
func waved(seconds int) []byte {
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x40\x1f\x00\x00\x80\x3e\x00\x00\x02\x00\x10\x00data")
	b = binary.LittleEndian.AppendUint32(b, uint32(16000*seconds))
	for i := range 8000 * seconds {
		b = binary.LittleEndian.AppendUint16(b, uint16(int16(i*37%2000-1000)))
	}
	binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-8))
	return b
}

// crowded is a disk that says of itself that everything is stored.
type crowded struct{ *imagetest.Disk }

func (c crowded) NextData(off int64) (start, end int64) { return min(off, c.Size()), c.Size() }

// TestMissingSectorsAreNamedByRun: how many sectors of which run are missing, and how long
// it is silent: 2 sectors of 16,000 bytes a second are 0.064 s.
func TestMissingSectorsAreNamedByRun(t *testing.T) {
	d := imagetest.New(100_000, 512)
	d.Put(100, waved(3))
	d.Put(5000, waved(5))
	m := &layout.Map{Sectors: 100_000, SectorSize: 512}
	src := image.NewKnown(d, disk.NewSpans(disk.Span{Start: 50, Count: 3}, disk.Span{Start: 5100, Count: 2}), nil)
	hits, found, err := tracks.Hits(context.Background(), src, m, tracks.ForPlan, nil)
	want := tracks.Hit{Run: 2, First: 5000, Lost: 5100, Sectors: 2, Seconds: 1024. / 16000, From: (100*512. - 44) / 16000}
	if !slices.Equal(hits, []tracks.Hit{want}) {
		t.Errorf("%+v, wanted %+v", hits, want)
	}
	if err != nil || len(found) != 1 || found[0].Code != disk.SoundHit || found[0].Sector != 5100 {
		t.Fatalf("%v (%v)", found, err)
	}
	for _, want := range []string{"2 missing sectors, 0.1 s in run 2", "begins at sector 5,000", "from 0:03.2 on"} {
		if !strings.Contains(found[0].Text, want) {
			t.Errorf("%q is not in %q", want, found[0].Text)
		}
	}
	if _, found, err := tracks.Hits(context.Background(), d, m, tracks.ForPlan, nil); err != nil || len(found) != 0 {
		t.Errorf("a whole disk: %v (%v)", found, err)
	}
	large := crowded{imagetest.New(1<<25, 512)}
	m.Sectors = 1 << 25
	src = image.NewKnown(large, disk.NewSpans(disk.Span{Start: 7, Count: 1}), nil)
	_, found, err = tracks.Hits(context.Background(), src, m, tracks.AfterCapture, nil)
	if err != nil || len(found) != 1 || found[0].Code != disk.SoundNotLooked {
		t.Errorf("a large disk: %v (%v)", found, err)
	}
}

// TestAskedFormats: what the owner wants is read as he wants it, and what is found beside
// it stays.
func TestAskedFormats(t *testing.T) {
	d := imagetest.New(100_000, 512)
	d.Put(100, waved(3))
	d.Put(5000, waved(5))
	m := &layout.Map{Sectors: 100_000, SectorSize: 512}
	f := tracks.Ask{Span: disk.Span{Start: 4990, Count: 400}}
	f.Format.Bits, f.Format.Width, f.Format.Channels, f.Format.Rate, f.Format.Order = 24, 3, 2, 1000, "big"
	list, err := tracks.Find(context.Background(), d, m, tracks.Options{Ask: []tracks.Ask{f}})
	if err != nil || len(list.Tracks) != 2 || list.Tracks[0].Asked || !list.Tracks[1].Asked {
		t.Fatalf("%+v (%v)", list, err)
	}
	if got := list.Tracks[1]; got.Seconds != float64(400*512/6)/1000 || got.First() != 4990 {
		t.Errorf("%+v", got)
	}
}
