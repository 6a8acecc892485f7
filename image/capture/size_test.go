package capture

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// mostOfASpot is how many bytes of record one lone bad sector may cost, all
// tries included: 100,000 of them make less than 60 MB then.
const mostOfASpot = 600

func TestTheRecordOfManyLoneBadSectorsStaysSmall(t *testing.T) {
	const sectors, every = 400_000, 2500
	var bad []disk.Span
	for x := disk.Sector(1234); x < sectors; x += every + x%97 {
		bad = append(bad, disk.Span{Start: x, Count: 1})
	}
	m := newMemory()
	r := runSim(t, newSim(sectors, bad...), m, Options{Looks: 1})
	if int(r.Missing.Sectors()) != len(bad) || len(r.Unread) > 0 {
		t.Fatalf("%d missing, want %d", r.Missing.Sectors(), len(bad))
	}
	text := m.files["image.record"].now
	blocks := sectors / 2048
	if most := len(recordOf()) + 110*blocks + mostOfASpot*len(bad); len(text) > most {
		verbs, bytes := map[string]int{}, map[string]int{}
		for line := range strings.Lines(string(text)) {
			v, _, _ := strings.Cut(line[9:], " ")
			verbs[v]++
			bytes[v] += len(line)
		}
		t.Errorf("%d bytes for %d spots, at most %d; lines %v of bytes %v", len(text), len(bad), most, verbs, bytes)
	}
	t.Logf("%d bytes for each spot", (len(text)-len(recordOf())-110*blocks)/len(bad))
}

// manySpots is the record and the image, all of it a hole, of a drive with so
// many lone bad sectors, as a run writes it: pass by pass, and not in ascending
// order, as narrowing goes from spot to spot.
func manySpots(spots int) (text []byte, g record.Drive) {
	g = example
	g.Sectors = disk.Sector(spots) * 2048
	var a record.Appender
	text = record.Opening(&a, g)
	zeros := map[disk.Sector]record.Digest{}
	put := func(l record.Line) {
		if l.Verb == record.VerbGood {
			if _, ok := zeros[l.Span.Count]; !ok {
				zeros[l.Span.Count] = sum(make([]byte, l.Span.Count*512))
			}
			l.Digest = zeros[l.Span.Count]
		}
		text = append(text, a.Line(&l)...)
		if a.Lines%500 == 0 {
			text = append(text, a.Line(&record.Line{Verb: record.VerbSync, Numbers: []int64{a.Lines + 1}})...)
		}
	}
	each := func(f func(block, bad disk.Sector)) {
		for i := range disk.Sector(spots) {
			f(i*2048, i*2048+64+(i*7919)%1900)
		}
	}
	put(record.Line{Verb: record.VerbRun, Numbers: []int64{1}})
	each(func(block, _ disk.Sector) {
		put(record.Line{Verb: record.VerbFailed, Span: disk.Span{Start: block, Count: 2048}, Fault: image.BadSector})
	})
	each(func(block, bad disk.Sector) {
		low := bad / 64 * 64
		put(record.Line{Verb: record.VerbGood, Span: disk.Between(block, low)})
		put(record.Line{Verb: record.VerbTight, Span: disk.Between(low, low+64), Fault: image.BadSector})
		if low+64 < block+2048 {
			put(record.Line{Verb: record.VerbGood, Span: disk.Between(low+64, block+2048)})
		}
	})
	each(func(_, bad disk.Sector) {
		low := bad / 64 * 64
		put(record.Line{Verb: record.VerbAbout, Spans: []disk.Span{{Start: bad, Count: 8}}})
		if low < bad {
			put(record.Line{Verb: record.VerbGood, Span: disk.Between(low, bad)})
		}
		put(record.Line{Verb: record.VerbMissing, Span: disk.Span{Start: bad, Count: 1}, Fault: image.BadSector})
		if bad+1 < low+64 {
			put(record.Line{Verb: record.VerbGood, Span: disk.Between(bad+1, low+64)})
		}
	})
	return text, g
}

// BenchmarkOpenManySpots opens a capture with 100,000 lone bad sectors.
func BenchmarkOpenManySpots(b *testing.B) {
	const spots = 100_000
	text, g := manySpots(spots)
	img := filepath.Join(b.TempDir(), "image")
	if err := errors.Join(os.WriteFile(img, nil, 0o600), os.Truncate(img, int64(g.Sectors)*512), os.WriteFile(img+record.Suffix, text, 0o600)); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		src, err := record.Open(img, "")
		if err != nil {
			b.Fatal(err)
		}
		if n := len(src.Record().Missing()); n != spots {
			b.Fatal(n)
		}
		src.Close()
	}
}
