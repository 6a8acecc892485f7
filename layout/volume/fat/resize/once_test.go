package resize_test

import (
	"encoding/binary"
	"reflect"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// The marks behind the last cluster of a volume that became much smaller are one
// run of 128 KiB that is used again and again, in every table, and each of them is
// there on the card (FG, "FAT Data Structure": 0FFFFFF7h).
func TestMarksAreOneRun(t *testing.T) {
	t.Parallel()
	const sectors, small = 20_000_000, 2_000_000
	d := imagetest.New(sectors, 512)
	f, err := format.New(d, format.Options{Sectors: sectors, Kind: fat.FAT32, SectorsPerCluster: 8})
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	v, tab := read(t, d)
	r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: small})
	n := &counter{}
	if err := r.Emit(n); err != nil {
		t.Fatal(err)
	}
	if n.Rendered > 300<<10 || n.Pieces > 400 {
		t.Errorf("%d bytes are made new, in %d pieces", n.Rendered, n.Pieces)
	}
	c, err := card.New(planned(t, d, r), d)
	if err != nil {
		t.Fatal(err)
	}
	for i := range v.BPB.FATs {
		span := v.TableSpan(i)
		span.Start += edge
		b, err := image.ReadSectors(c, span)
		if err != nil {
			t.Fatal(err)
		}
		last := (small - int64(v.Data)) / 8 // clusters of the smaller volume
		for e := last + 2; e < int64(v.Clusters)+2; e++ {
			if got := binary.LittleEndian.Uint32(b[4*e:]); got != 0x0FFFFFF7 {
				t.Fatalf("table %d, entry %d: %08X", i, e, got)
			}
		}
		if got := binary.LittleEndian.Uint32(b[4*(last+1):]); got != 0 {
			t.Errorf("table %d, the last cluster: %08X", i, got)
		}
	}
}

// reads counts what is read.
type reads struct {
	image.Source
	bytes int64
}

func (r *reads) ReadAt(b []byte, off int64) (int, error) {
	r.bytes += int64(len(b))
	return r.Source.ReadAt(b, off)
}

// Who asks first what is copied gets the same volume then, and nothing is read
// or made for it a second time.
func TestMadeOnce(t *testing.T) {
	s := lay(t, fat16, "-GAP", 6000, "A.WAV", 10, "B.WAV", 700)
	src := &reads{Source: s}
	v, tab := read(t, src)
	plain := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 10000})
	asked := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 10000})
	want, got := planned(t, s, plain), &list{}
	copied, err := asked.Copied()
	if err != nil {
		t.Fatal(err)
	}
	src.bytes = 0
	if err := asked.Emit(volume.Placed{To: got, Card: edge}); err != nil || src.bytes != 0 {
		t.Errorf("%d bytes are read once more, %v", src.bytes, err)
	}
	again := planned(t, s, asked) // made anew: nothing was kept
	if !reflect.DeepEqual(want.Pieces, again.Pieces) {
		t.Error("the second time it is another volume")
	}
	var spans []disk.Span
	for _, q := range got.copies {
		spans = append(spans, disk.Span{Start: q.From, Count: q.Count})
	}
	if set := disk.NewSpans(spans...); !reflect.DeepEqual(set, copied) || len(set) == 0 {
		t.Errorf("copied %v, said %v", set, copied)
	}
}

// list keeps the copies that it gets.
type list struct {
	counter
	copies []layout.Piece
}

func (l *list) Copy(s disk.Span, from disk.Sector, _ layout.Reason, _ layout.Rank) {
	if !s.Empty() {
		l.copies = append(l.copies, layout.Piece{Span: s, From: from})
	}
}
