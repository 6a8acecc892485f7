package image_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// TestRuns: every sector of the run is told once and in order, as what it is, and all
// of them count as passed.
func TestRuns(t *testing.T) {
	for _, seed := range need.Seeds(40, 400) {
		r := rand.New(rand.NewPCG(uint64(seed), 0))
		size := 512 << r.IntN(4)
		d := imagetest.New(disk.Sector(1+r.IntN(9000)), size)
		for range r.IntN(30) {
			d.Put(disk.Sector(r.IntN(int(image.Sectors(d)))), []byte{byte(1 + r.IntN(255))})
		}
		var lost disk.Spans
		for range r.IntN(4) {
			lost = lost.Add(disk.Span{Start: disk.Sector(r.IntN(int(image.Sectors(d)))), Count: disk.Sector(1 + r.IntN(50))})
		}
		src := image.NewKnown(d, lost.Within(image.Whole(d)), nil)
		from := disk.Sector(r.IntN(int(image.Sectors(d))))
		span := disk.Between(from, from+disk.Sector(r.IntN(int(image.Sectors(d)-from)+1)))
		at, moved := span.Start, disk.Sector(0)
		next := func(s disk.Span, what string) {
			if s.Start < at || s.Empty() {
				t.Fatalf("seed %d: %s %s comes after sector %d", seed, what, s, at)
			}
			at = s.End()
		}
		var told disk.Spans
		err := image.Runs(t.Context(), src, span, image.Visitor{
			Hole: func(s disk.Span) {
				next(s, "hole")
				told = told.Add(s)
				if b, err := image.ReadSectors(d, s); err != nil || strings.Trim(string(b), "\x00") != "" {
					t.Fatalf("seed %d: %s is no hole: %v", seed, s, err)
				}
				if len(lost.Within(s)) > 0 {
					t.Fatalf("seed %d: %s is a hole of which %v are not known", seed, s, lost.Within(s))
				}
			},
			Unknown: func(s disk.Span) {
				told = told.Add(s)
				if len(lost.Outside(s)) > 0 {
					t.Fatalf("seed %d: %s is not known", seed, s)
				}
			},
			Sector: func(x disk.Sector, b []byte) {
				next(disk.Span{Start: x, Count: 1}, "sector")
				told = told.Add(disk.Span{Start: x, Count: 1})
				if want, err := image.ReadSector(d, x); err != nil || string(want) != string(b) || lost.Holds(x) {
					t.Fatalf("seed %d: sector %d is another one: %v", seed, x, err)
				}
			},
			Moved: func(n disk.Sector) { moved += n },
		})
		if err != nil || moved != span.Count || len(told.Outside(span)) > 0 || told.Sectors() != span.Count {
			t.Fatalf("seed %d: %s: %v, %d passed, told %v", seed, span, err, moved, told)
		}
	}
}

// TestRunsFail: the sector that cannot be read is named, and a context ends the visit.
func TestRunsFail(t *testing.T) {
	broken := errors.New("the drive said no")
	d := imagetest.New(5000, 512)
	for x := range disk.Sector(5000) {
		d.Put(x, []byte{1})
	}
	src := &imagetest.Faulty{Source: d, Bad: disk.NewSpans(disk.Span{Start: 3210, Count: 1}), Err: broken}
	if err := image.Runs(t.Context(), src, image.Whole(src), image.Visitor{}); !errors.Is(err, broken) || !strings.Contains(fmt.Sprint(err), "sector 3,210 (byte 1,643,520)") {
		t.Errorf("%v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	seen := 0
	err := image.Runs(ctx, d, image.Whole(d), image.Visitor{Sector: func(disk.Sector, []byte) { cancel(); seen++ }})
	if !errors.Is(err, context.Canceled) || seen > 2048 {
		t.Errorf("%v after %d sectors", err, seen)
	}
}
