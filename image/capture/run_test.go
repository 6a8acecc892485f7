package capture

import (
	"bytes"
	"context"
	"crypto/sha256"
	"io"
	"math/rand/v2"
	"slices"
	"testing"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// seeds returns the seeds of a random suite; under the race detector, which runs
// with -short and looks at goroutines more than at strategy, an eighth of the
// few, but two at least: a mean of one says nothing.
func seeds(few, many int) []int64 {
	s := need.Seeds(few, many)
	if testing.Short() {
		s = s[:max(2, few/8)]
	}
	return s
}

var target = Target{Image: "image"}

func runSim(t testing.TB, d *simDrive, m *memory, o Options) *Result {
	t.Helper()
	return runAdvised(t, d, m, o, nil)
}

// runAdvised is runSim with an advisor: all of a disk as small as these is boot area for the
// usual one.
func runAdvised(t testing.TB, d *simDrive, m *memory, o Options, a Advisor) *Result {
	t.Helper()
	o.Time = d.simTime
	tg := target
	tg.Storage = m
	r, err := Run(context.Background(), d, tg, o, a, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// checkImage compares the image with the drive: known sectors are right,
// missing ones hold their fill, all others are zero. Nothing else runs then, so
// the race detector need not look.
//
//go:norace
func checkImage(t testing.TB, d *simDrive, m *memory, r *Result) {
	t.Helper()
	img := m.files["image"].now
	want, zero := make([]byte, d.sectorSize), make([]byte, d.sectorSize)
	other := r.Unread.Union(r.Skipped)
	for x := range d.sectors {
		got := img[int64(x)*int64(d.sectorSize) : int64(x+1)*int64(d.sectorSize)]
		switch {
		case r.Missing.Holds(x):
			record.PutPattern(want, x)
		case other.Holds(x):
			copy(want, zero)
		default:
			d.content(want, x)
		}
		if !bytes.Equal(got, want) {
			t.Fatalf("sector %d of the image is not what it should be (missing %v, unread or skipped %v): %.60q", x, r.Missing.Holds(x), other.Holds(x), got)
		}
	}
}

// randomFaults makes lone bad sectors and runs of all lengths.
func randomFaults(rng *rand.Rand, sectors disk.Sector) []disk.Span {
	var out []disk.Span
	for range rng.IntN(12) {
		n := disk.Sector(1)
		if rng.IntN(2) == 0 {
			n = disk.Sector(1 << rng.IntN(13))
		}
		at := disk.Sector(rng.Int64N(int64(sectors)))
		out = append(out, disk.Span{Start: at, Count: min(n, sectors-at)})
		for rng.IntN(3) == 0 { // a cluster
			at += disk.Sector(rng.IntN(200))
			out = append(out, disk.Span{Start: min(at, sectors-1), Count: 1})
		}
	}
	return out
}

func TestEveryReadableSectorIsReadAndTheMissingListIsExact(t *testing.T) {
	for _, seed := range seeds(40, 1000) {
		rng := rand.New(rand.NewPCG(uint64(seed), 4))
		sectors := disk.Sector(1000 + rng.IntN(60_000))
		d, m := newSim(sectors, randomFaults(rng, sectors)...), newMemory()
		r := runSim(t, d, m, Options{Hash: true})
		if r.Stop != Done || !slices.Equal(r.Missing, d.badSpans()) {
			t.Fatalf("seed %d: stopped %q, missing %v, want %v", seed, r.Stop, r.Missing, d.badSpans())
		}
		if len(r.Unread)+len(r.Skipped)+len(r.Unstable) > 0 || r.Read != sectors-r.Missing.Sectors() {
			t.Fatalf("seed %d: %d read, unread %v, skipped %v, unstable %v", seed, r.Read, r.Unread, r.Skipped, r.Unstable)
		}
		checkImage(t, d, m, r)
		if r.SHA256 == nil || *r.SHA256 != record.Digest(sha256.Sum256(m.files["image"].now)) {
			t.Fatalf("seed %d: the digest of the image is %v", seed, r.SHA256)
		}
		checkRecord(t, m, r)
	}
}

// A worn stretch in which bad sectors lie singly, some dozens or hundreds of sectors from
// each other: small reads that failed touch each other there, and what lies between two
// single sectors is longer than one of them.
func TestManySingleBadSectorsLeaveNothingUnread(t *testing.T) {
	for _, seed := range seeds(12, 300) {
		rng := rand.New(rand.NewPCG(uint64(seed), 8))
		sectors := disk.Sector(20_000 + rng.IntN(60_000))
		var bad []disk.Span
		for range 60 + rng.IntN(300) {
			bad = append(bad, disk.Span{Start: 2048 + disk.Sector(rng.IntN(12_000)), Count: 1})
		}
		d, m := newSim(sectors, bad...), newMemory()
		r := runAdvised(t, d, m, Options{Hash: true}, Ends{Head: 1 << 20, Tail: 1 << 20})
		if r.Stop != Done || !slices.Equal(r.Missing, d.badSpans()) || len(r.Unread) > 0 {
			t.Errorf("seed %d: %d sectors are bad; stopped %q, %d missing, unread %v",
				seed, d.badSpans().Sectors(), r.Stop, r.Missing.Sectors(), r.Unread)
		}
		if r.SHA256 == nil {
			t.Errorf("seed %d: the run came to its end, and the image has no digest", seed)
		}
		checkRecord(t, m, r)
	}
}

// checkRecord reads the record back: it says what the result says.
func checkRecord(t testing.TB, m *memory, r *Result) {
	t.Helper()
	rec, err := readFrom(m.files["image.record"])
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(rec.Missing(), r.Missing) || !slices.Equal(rec.Unread(), r.Unread) ||
		!slices.Equal(rec.Unstable(), r.Unstable) || !slices.Equal(rec.Skipped(), r.Skipped) {
		t.Fatalf("the record says missing %v, unread %v; the result missing %v, unread %v", rec.Missing(), rec.Unread(), r.Missing, r.Unread)
	}
	if window, unmarked := openEnd(t, m.files["image.record"]); unmarked != 0 || window != nil {
		t.Fatalf("the record ends with %d lines that no mark covers, window %v", unmarked, window)
	}
}

// openEnd reads the lines of a record, and returns what it announces at its end
// without an answer, and how many lines about the image no mark covers.
func openEnd(t testing.TB, f File) (window []disk.Span, unmarked int) {
	t.Helper()
	size, err := f.Size()
	if err != nil {
		t.Fatal(err)
	}
	var about []int64 // the numbers of these lines
	s := record.NewScanner(io.NewSectionReader(f, 0, size))
	for {
		l, err := s.Next()
		if err == io.EOF {
			return window, len(about)
		}
		if err != nil {
			t.Fatal(err)
		}
		switch l.Verb {
		case record.VerbAbout:
			window = l.Spans
		case record.VerbSilent:
			window = []disk.Span{l.Span}
		case record.VerbAnswered, record.VerbRun:
			window = nil
		case record.VerbGood, record.VerbUnstable, record.VerbMissing, record.VerbHung:
			about = append(about, s.Appender().Lines)
		case record.VerbSync:
			about = slices.DeleteFunc(about, func(n int64) bool { return n < l.Numbers[0] })
		}
	}
}
