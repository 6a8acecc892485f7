package layout

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"bootgraft/image/disk"
)

func codes(found []disk.Finding) []string {
	out := []string{}
	for _, f := range found {
		out = append(out, string(f.Code))
	}
	return out
}

func TestCheckEntries(t *testing.T) {
	entry := func(index int, start, count disk.Sector) Entry {
		return Entry{Index: index, Span: disk.Span{Start: start, Count: count}, Table: 7, Offset: 446}
	}
	box := entry(4, 100, 100)
	box.Extended = true
	boxPastEnd := entry(4, 900, 200)
	boxPastEnd.Extended = true
	for _, c := range []struct {
		name    string
		entries []Entry
		want    []string
	}{
		{"nothing", nil, []string{}},
		{"side by side up to the end", []Entry{entry(1, 1, 499), entry(2, 500, 500)}, []string{}},
		{"empty ones anywhere", []Entry{entry(1, 5000, 0), entry(2, 0, 0)}, []string{}},
		{"one sector too long", []Entry{entry(1, 1, 1000)}, []string{"entry-past-end"}},
		{"starts after the end", []Entry{entry(1, 1001, 1)}, []string{"entry-past-end"}},
		{"end beyond 63 bits", []Entry{entry(1, 2, 1<<63-1)}, []string{"entry-past-end"}},
		{"negative", []Entry{entry(1, -1, 2)}, []string{"entry-past-end"}},
		{"one sector shared", []Entry{entry(1, 1, 100), entry(2, 100, 100)}, []string{"entries-overlap"}},
		{"shared, in the other order", []Entry{entry(2, 100, 100), entry(1, 1, 100)}, []string{"entries-overlap"}},
		{"a long one under two short ones", []Entry{entry(1, 1, 500), entry(2, 10, 10), entry(3, 300, 10)}, []string{"entries-overlap", "entries-overlap"}},
		{"logical in its container", []Entry{box, entry(5, 101, 99)}, []string{}},
		{"container past the end", []Entry{boxPastEnd, entry(5, 901, 50)}, []string{"entry-past-end"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := CheckEntries(c.entries, 1000)
			if !slices.Equal(codes(got), c.want) {
				t.Errorf("got %v, want %v", got, c.want)
			}
			for _, f := range got {
				if f.Sector != 7 || !strings.Contains(f.Text, "byte 446") {
					t.Errorf("the finding does not say where the entry stands: %+v", f)
				}
			}
		})
	}
}

func TestCheckEntriesNamesBothAndTheSharedSectors(t *testing.T) {
	got := CheckEntries([]Entry{
		{Index: 1, Span: disk.Span{Start: 10, Count: 50}},
		{Index: 2, Span: disk.Span{Start: 40, Count: 50}},
	}, 1000)
	if len(got) != 1 {
		t.Fatalf("got %v", got)
	}
	for _, want := range []string{"entry 1 ", "entry 2 ", "40+20"} {
		if !strings.Contains(got[0].Text, want) {
			t.Errorf("%q is not in %q", want, got[0].Text)
		}
	}
}

// Overlaps are found exactly when some pair of entries shares a sector.
func TestCheckEntriesAgreesWithPairs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var entries []Entry
		for i := range rapid.IntRange(0, 6).Draw(t, "n") {
			entries = append(entries, Entry{Index: i + 1, Span: disk.Span{
				Start: disk.Sector(rapid.IntRange(0, 60).Draw(t, "start")),
				Count: disk.Sector(rapid.IntRange(0, 12).Draw(t, "count")),
			}})
		}
		shared, past := false, false
		for i, a := range entries {
			past = past || (!a.Empty() && a.End() > 50)
			for _, b := range entries[i+1:] {
				shared = shared || a.Overlaps(b.Span)
			}
		}
		got := codes(CheckEntries(entries, 50))
		if slices.Contains(got, "entries-overlap") != shared || slices.Contains(got, "entry-past-end") != past {
			t.Errorf("%v gave %v", entries, got)
		}
	})
}
