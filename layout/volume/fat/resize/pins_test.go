package resize_test

import (
	"fmt"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

func accept(codes ...disk.Code) func(disk.Code) bool {
	return func(code disk.Code) bool {
		for _, c := range codes {
			if c == code {
				return true
			}
		}
		return false
	}
}

// A file whose path is given keeps its sectors, whatever room there is below.
func TestPinPath(t *testing.T) {
	s := lay(t, fat16, "-GAP", 6000, "KEEP.SYS", 10)
	v, tab := read(t, s)
	free := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 10000})
	s.Holds(t, onCard(t, s, free))
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 10000, Pins: []string{"/keep.sys"}}
	r := mustRefuse(t, v, tab, w, "pin-moves")
	if want := v.Cluster(6002 + 10).Start; r.Limits.Smallest != want {
		t.Errorf("the smallest size is %d, want %d", r.Limits.Smallest, want)
	}
	w.Sectors = r.Limits.Smallest
	s.Holds(t, onCard(t, s, mustPlan(t, v, tab, w)))
	w.Sectors, w.Accept = 10000, accept("pin-moves")
	if moved := mustPlan(t, v, tab, w); !hasCode(moved.Findings, "pin-moves") || moved.MovedClusters != 10 {
		t.Errorf("%+v", moved)
	}
	w = volume.Wishes{Mode: volume.Grow, Room: 40000, Pins: []string{"KEEP.SYS"}}
	in := mustRefuse(t, v, tab, w, "pin-moves").Limits.LargestInPlace
	w.Sectors = in
	if still := mustPlan(t, v, tab, w); still.Shifted || still.Sectors != in {
		t.Errorf("%+v", still)
	}
	// A file of another volume of the disk is none of this one's.
	s.Holds(t, onCard(t, s, mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 10000,
		Pins: []string{"NONE.SYS"}})))
}

// A boot sector that looks for a file by name, as those of DOS do, finds it in its
// directory wherever it lies in one piece, and computes where its clusters lie (common
// practice, no source): that it moves is told. Where no free run has room for it in one
// piece, its owner is asked.
func TestSystemFile(t *testing.T) {
	named := func(files ...any) *small {
		s := lay(t, fat16, files...)
		b, _ := image.ReadSectors(s, disk.Span{Count: 1})
		copy(b[0x1E0:], "IO      SYS")
		s.Put(0, b)
		return s
	}
	s := named("-GAP", 6000, "IO.SYS", 10)
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 10000}
	whole := mustPlan(t, v, tab, w)
	if f := findingOf(whole.Findings, "system-file-moves"); f == nil || f.Severity != disk.Note || !strings.Contains(f.Text, "1 piece, as before") {
		t.Errorf("%+v", whole.Findings)
	}
	s.Holds(t, onCard(t, s, whole))
	r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Grow, Room: 40000})
	if !r.Shifted {
		t.Error("the data area should have moved")
	}
	s.Holds(t, onCard(t, s, r))

	// Free below the end are runs of 6 clusters only.
	files := []any{"FULL", 4000}
	for i := range 10 {
		files = append(files, fmt.Sprintf("-GAP%d", i), 6, fmt.Sprintf("S%d", i), 80)
	}
	s = named(append(files, "IO.SYS", 10)...)
	v, tab = read(t, s)
	w.Sectors = v.Cluster(2 + 4000 + 860).Start
	asked := mustRefuse(t, v, tab, w, "system-file-moves")
	if text := asked.Need[0].Text; !strings.Contains(text, "2 pieces") || !strings.Contains(text, disk.Grouped(v.Cluster(2+4000+870).Start)) {
		t.Errorf("the pieces or the size without a move are missing: %s", text)
	}
	w.Accept = accept("system-file-moves")
	s.Holds(t, onCard(t, s, mustPlan(t, v, tab, w)))
}

// Files that boot code looks for by name choose their new place before longer ones, and
// so stay in one piece.
func TestSystemFilesMoveFirst(t *testing.T) {
	s := lay(t, fat16, "FULL", 4000, "-GAP", 30, "SONG1", 100, "-HOLE", 6, "SONG2", 100, "SONG3", 25, "IO.SYS", 10)
	b, _ := image.ReadSectors(s, disk.Span{Count: 1})
	copy(b[0x1E0:], "IO      SYS")
	s.Put(0, b)
	v, tab := read(t, s)
	r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: v.Cluster(2 + 4236).Start})
	if f := findingOf(r.Findings, "system-file-moves"); f == nil || !strings.Contains(f.Text, "1 piece, as before") {
		t.Errorf("%+v", r.Findings)
	}
	s.Holds(t, onCard(t, s, r))
}

// A file that boot code names by its sector and by its name is asked about for its sector.
func TestLinkedSystemFile(t *testing.T) {
	s := lay(t, fat16, "-GAP", 6000, "IO.SYS", 10)
	b, _ := image.ReadSectors(s, disk.Span{Count: 1})
	copy(b[0x1E0:], "IO      SYS")
	s.Put(0, b)
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 10000, Links: []volume.Linked{{Path: "IO.SYS", Why: "sector 0 names it"}}}
	mustRefuse(t, v, tab, w, "loader-file-moves")
}

// A file that boot code finds by its cluster may shift with all others, and must not
// move among them.
func TestLinkedByCluster(t *testing.T) {
	s := lay(t, fat16, "-GAP", 6000, "LOADER.BIN", 10)
	v, tab := read(t, s)
	links := []volume.Linked{{Path: "LOADER.BIN", Why: "sector 0 names it", ByCluster: true}}
	if r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Grow, Room: 40000, Links: links}); !r.Shifted {
		t.Error("the data area should have moved")
	}
	mustRefuse(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 10000, Links: links}, "loader-file-moves")
}

// A file that boot code finds by its sectors stays, or its owner is asked, with the
// reason and the size that needs no move.
func TestLinkedFile(t *testing.T) {
	s := lay(t, format.Options{Sectors: 20000, Kind: fat.FAT16, SectorsPerCluster: 2}, "-GAP", 6000, "LOADER.BIN", 10, "SONG.WAV", 5)
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 10000, Links: []volume.Linked{{Path: "LOADER.BIN", Why: "sector 0 names it"}}}
	r := mustRefuse(t, v, tab, w, "loader-file-moves")
	want := v.Cluster(6012).Start
	if r.Limits.Smallest != want || len(r.Why) > 0 {
		t.Errorf("the smallest size is %d, want %d: %v", r.Limits.Smallest, want, r.Why)
	}
	if text := r.Need[0].Text; !strings.Contains(text, "sector 0 names it") || !strings.Contains(text, disk.Grouped(want)) {
		t.Errorf("the reason or the size is missing: %s", text)
	}
	w.Sectors = r.Limits.Smallest // the song moves, the loader stays
	if got := mustPlan(t, v, tab, w); got.MovedClusters != 5 {
		t.Errorf("%d clusters move", got.MovedClusters)
	}
	w = volume.Wishes{Mode: volume.Grow, Room: 40000, Links: w.Links}
	mustRefuse(t, v, tab, w, "loader-file-moves")
}

// A file across the new end of which a part is pinned does not move as a
// whole: here its end may move, by the owner's leave for that one code.
func TestPinnedStraddler(t *testing.T) {
	s := lay(t, fat16, "-GAP", 2000, "FULL", 5000, "A.WAV", 800)
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Shrink, Sectors: v.Cluster(7502).Start, Pins: []string{"A.WAV"}}
	mustRefuse(t, v, tab, w, "pin-moves")
	w.Accept = accept("pin-moves")
	if r := mustPlan(t, v, tab, w); r.MovedClusters != 800 {
		t.Errorf("%d clusters move", r.MovedClusters)
	}
}

// What shifts says so, in the findings and in the reason of each piece.
func TestShiftIsSaid(t *testing.T) {
	s := lay(t, fat16, "A.WAV", 10)
	v, tab := read(t, s)
	r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Grow, Room: 40000})
	if !r.Shifted || !hasCode(r.Findings, "data-area-shifted") {
		t.Errorf("%+v", r.Findings)
	}
	for _, q := range planned(t, s, r).Pieces {
		if q.Op == layout.Copy && (q.Why == layout.WhyUnchanged) != (q.From == q.Start-edge) {
			t.Errorf("%+v", q)
		}
	}
}

func findingOf(fs []disk.Finding, code disk.Code) *disk.Finding {
	for i := range fs {
		if fs[i].Code == code {
			return &fs[i]
		}
	}
	return nil
}
