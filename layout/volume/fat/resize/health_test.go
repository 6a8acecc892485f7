package resize_test

import (
	"bytes"
	"fmt"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// poke sets entries of all tables of a FAT16 volume.
func (s *small) poke(t testing.TB, entries map[uint32]uint16) {
	t.Helper()
	v, _ := read(t, s)
	for i := range v.BPB.FATs {
		span := v.TableSpan(i)
		b, err := image.ReadSectors(s, span)
		if err != nil {
			t.Fatal(err)
		}
		for c, e := range entries {
			b[2*c], b[2*c+1] = byte(e), byte(e>>8)
		}
		s.Put(span.Start, b)
	}
}

// What makes a change unsafe refuses it, or asks; nothing is repaired.
func TestHealth(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name    string
		entries map[uint32]uint16
		refused disk.Code
		accept  []string // what lets it go on
	}{
		{"lost", map[uint32]uint16{9000: 9001, 9001: 0xFFFF}, "", nil},
		{"long", map[uint32]uint16{7011: 7012, 7012: 0xFFFF}, "", nil},
		{"short", map[uint32]uint16{7005: 0xFFFF}, "fat-chain-short", []string{"fat-chain-short"}},
		{"crossed", map[uint32]uint16{7011: 3}, "fat-cross-linked", nil},
		{"loop", map[uint32]uint16{7011: 7002}, "fat-chain-loop", nil},
		{"into-free", map[uint32]uint16{7005: 9500}, "fat-chain-into-free", nil},
		{"into-bad", map[uint32]uint16{7005: 9500, 9500: 0xFFF7}, "fat-chain-into-bad", nil},
		{"outside", map[uint32]uint16{7005: 0xFF00}, "fat-chain-outside", nil},
		{"dirty", map[uint32]uint16{1: 0x7FFF}, "fat-dirty", []string{"fat-dirty"}}, // F19
	} {
		t.Run(c.name, func(t *testing.T) {
			s := lay(t, fat16, "LOW.WAV", 20, "-GAP", 6980, "A.WAV", 10)
			s.poke(t, c.entries)
			v, tab := read(t, s)
			w := volume.Wishes{Mode: volume.Shrink, Sectors: 12000}
			if c.refused == "" {
				r := mustPlan(t, v, tab, w)
				v2, tab2 := read(t, onCard(t, s, r))
				a, b := v.Check(tab), v2.Check(tab2)
				if a.Lost != b.Lost || a.Total != b.Total || a.Used != b.Used || r.MovedClusters == 0 {
					t.Errorf("%+v became %+v", a, b)
				}
				return
			}
			mustRefuse(t, v, tab, w, string(c.refused))
			w.Accept = accept(c.refused)
			if c.accept == nil {
				mustRefuse(t, v, tab, w, string(c.refused))
				return
			}
			if r := mustPlan(t, v, tab, w); !hasCode(r.Findings, string(c.refused)) {
				t.Errorf("%+v", r.Findings)
			}
		})
	}
}

// Where nothing moves and all is copied a broken chain may be carried.
func TestBrokenChainStays(t *testing.T) {
	s := lay(t, fat16, "LOW.WAV", 20, "A.WAV", 10)
	s.poke(t, map[uint32]uint16{25: 3})
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 12000, Free: volume.FreeCopy, Accept: accept("fat-cross-linked", "fat-chain-short")}
	if r := mustPlan(t, v, tab, w); !hasCode(r.Findings, "fat-cross-linked") {
		t.Errorf("%+v", r.Findings)
	}
}

// An entry that names a cluster which does not exist would name one after
// growing.
func TestStrayLink(t *testing.T) {
	s := lay(t, fat16, "A.WAV", 10)
	s.poke(t, map[uint32]uint16{5000: 10500})
	v, tab := read(t, s)
	mustRefuse(t, v, tab, volume.Wishes{Mode: volume.Grow, Room: 30000}, "fat-chain-outside")
}

// Tables that differ are asked about; then all are like the one that counts.
func TestTablesDiffer(t *testing.T) {
	s := lay(t, fat16, "A.WAV", 10, "-GAP", 6000, "B.WAV", 10)
	v, tab := read(t, s)
	second := v.TableSpan(1)
	for _, x := range []disk.Sector{0, 3, 24} {
		b, _ := image.ReadSectors(s, disk.Span{Start: second.Start + x, Count: 1})
		b[100] ^= 0x55
		s.Put(second.Start+x, b)
	}
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 12000}
	mustRefuse(t, v, tab, w, "fat-copies-differ")
	w.Accept = accept("fat-copies-differ")
	v2, _ := s.Holds(t, onCard(t, s, mustPlan(t, v, tab, w)))
	if f := v2.CompareTables(); len(f) > 0 {
		t.Error(f)
	}
}

// More than a thousand files that reserve room ahead are no reason to refuse.
func TestManyLongChains(t *testing.T) {
	var files []any
	entries := map[uint32]uint16{}
	files = append(files, "-GAP", 3000)
	for i := range 1200 {
		if i%400 == 0 {
			files = append(files, fmt.Sprintf("D%d", i/400), 0)
		}
		files = append(files, fmt.Sprintf("D%d/T%d.WAV", i/400, i), 1)
	}
	s := lay(t, fat16, files...)
	v, tab := read(t, s)
	spare := uint32(8000)
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if !f.Dir {
			entries[f.First], entries[spare] = uint16(spare), 0xFFFF
			spare++
		}
	}
	s.poke(t, entries)
	v, tab = read(t, s)
	r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 10000})
	if !hasFinding(r.Findings, disk.FATMoreFindings) {
		t.Errorf("nobody says that there are more: %v", r.Findings)
	}
	s.Holds(t, onCard(t, s, r))
}

// The marks of bad clusters stay and hold nothing, or go when asked.
func TestBadMarks(t *testing.T) {
	s := lay(t, fat16, "-GAP", 6000, "A.WAV", 10)
	bad := map[uint32]uint16{}
	for c := uint32(2); c < 5000; c++ {
		bad[c] = 0xFFF7 // F20
	}
	bad[9000] = 0xFFF7
	s.poke(t, bad)
	v, tab := read(t, s)
	kept := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink})
	if want := v.Cluster(5010).Start; kept.Limits.Smallest != want {
		t.Errorf("smallest %d, want %d", kept.Limits.Smallest, want)
	}
	r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: kept.Limits.Smallest})
	if !hasFinding(r.Findings, disk.BadMarksKept) {
		t.Errorf("nobody says that marks stay: %v", r.Findings)
	}
	v2, tab2 := s.Holds(t, onCard(t, s, r))
	if u := tab2.Usage(); u.Bad != 4998 || v2.Clusters != 5008 {
		t.Errorf("%+v of %d clusters", u, v2.Clusters)
	}
	w := volume.Wishes{Mode: volume.Shrink, Sectors: v.Cluster(4104).Start, BadMarks: volume.BadClear}
	cleared := mustPlan(t, v, tab, w)
	if !hasFinding(cleared.Findings, disk.BadMarksCleared) {
		t.Errorf("nobody says that marks go: %v", cleared.Findings)
	}
	_, tab2 = s.Holds(t, onCard(t, s, cleared))
	if u := tab2.Usage(); u.Bad != 0 {
		t.Errorf("%+v", u)
	}
	w = volume.Wishes{Mode: volume.Keep, BadMarks: volume.BadClear}
	_, tab2 = s.Holds(t, onCard(t, s, mustPlan(t, v, tab, w)))
	if u := tab2.Usage(); u.Bad != 0 {
		t.Errorf("%+v", u)
	}
}

// A table sector that cannot be read is made from the other table; a table of
// which no copy answers is refused.
func TestMissingTable(t *testing.T) {
	s := lay(t, fat16, "A.WAV", 10, "-GAP", 6000, "B.WAV", 10)
	v, _ := read(t, s)
	gone := disk.Span{Start: v.TableSpan(0).Start + 2, Count: 2}
	src := &imagetest.Faulty{Source: s, Bad: disk.NewSpans(gone)}
	v, tab := read(t, src)
	r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 12000})
	p := planned(t, whole{src, s}, r)
	for _, q := range p.Pieces {
		if q.Op == layout.Copy && q.Overlaps(disk.Span{Start: gone.Start + edge, Count: 2}) {
			t.Errorf("sectors that nobody can read are copied: %+v", q)
		}
	}
	src.Bad = disk.NewSpans(gone, disk.Span{Start: v.TableSpan(1).Start + 2, Count: 2})
	v, tab = read(t, src)
	mustRefuse(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 12000}, "fat-table-missing")
}

// whole reads everything for the digest of a plan, with the size of another.
type whole struct {
	image.Source
	all image.Source
}

func (w whole) ReadAt(p []byte, off int64) (int, error) { return w.all.ReadAt(p, off) }

// An emptied volume keeps its boot code and its label.
func TestEmpty(t *testing.T) {
	t.Parallel()
	for _, o := range []format.Options{fat16, {Sectors: 140000, Kind: fat.FAT32, SectorsPerCluster: 2, RootCluster: 69000}, {Sectors: 3000, Kind: fat.FAT12, SectorsPerCluster: 2}} {
		s := lay(t, o, "A.WAV", 100, "DIR", 0, "DIR/B.WAV", 7)
		v, tab := read(t, s)
		for _, w := range []volume.Wishes{{Empty: true}, {Empty: true, Mode: volume.Grow, Room: v.Sectors * 5 / 4}, {Empty: true, Mode: volume.Shrink, Sectors: v.Sectors * 99 / 100}} {
			r := mustPlan(t, v, tab, w)
			path := apply(t, s, r)
			tool(t, "fsck.fat", "-n", path)
			v2, tab2 := open(t, path)
			h := v2.Check(tab2)
			if h.Files+h.Dirs+h.Deleted+h.Total != 0 || v2.Label() != "TAKES" || v2.ID() != v.ID() || v2.FSInfo != nil && v2.FSInfo.Free != h.Free {
				t.Errorf("%+v: %+v, label %q", w, h, v2.Label())
			}
			a, _ := image.ReadSectors(s, disk.Span{Count: 1})
			b, _ := image.ReadSectors(v2.Source(), disk.Span{Count: 1})
			if !bytes.Equal(a[90:], b[90:]) {
				t.Error("the boot code changed")
			}
		}
	}
}

// A chain in two pieces, one of which lies across the new end: only what lies
// beyond the end moves, though the piece would have room as a whole.
func TestPiecesMoveAlone(t *testing.T) {
	for _, entries := range []map[uint32]uint16{
		{2: 7003}, // HEAD.WAV is the first cluster of it
		{7003 + 799: 2},
	} {
		s := lay(t, fat16, "HEAD.WAV", 1, "-GAP", 7000, "A.WAV", 800)
		s.poke(t, entries)
		v, _ := read(t, s)
		w := volume.Wishes{Mode: volume.Shrink, Sectors: v.Cluster(7503).Start, Accept: accept("fat-cross-linked")}
		// Both files own the clusters of A.WAV now: one entry goes.
		b, _ := image.ReadSectors(s, disk.Span{Start: v.RootSpan().Start, Count: 1})
		gone := "A       WAV"
		if entries[2] == 0 {
			gone = "HEAD    WAV"
		}
		b[bytes.Index(b, []byte(gone))] = 0xE5
		s.Put(v.RootSpan().Start, b)
		v, tab := read(t, s)
		if r := mustPlan(t, v, tab, w); r.MovedClusters != 300 {
			t.Errorf("%v: %d clusters move", entries, r.MovedClusters)
		}
	}
}

// Deleted entries that lose what could be read of them are counted, and the
// sectors that are left out; --free copy copies them.
func TestFreeClusters(t *testing.T) {
	s := lay(t, fat16, "A.WAV", 10, "-B.WAV", 20, "C.WAV", 10, "-D.WAV", 5, "E.WAV", 1)
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 15000}
	r := mustPlan(t, v, tab, w)
	v2, _ := read(t, onCard(t, s, r))
	if want := disk.Sector(v2.Clusters-21) * 2; r.LostDeleted != 2 || r.Skipped != want || !hasCode(r.Findings, "free-skipped") {
		t.Errorf("%d deleted entries, %d sectors; want 2, %d", r.LostDeleted, r.Skipped, want)
	}
	w.Free = volume.FreeCopy
	if r = mustPlan(t, v, tab, w); r.LostDeleted != 0 || r.Skipped != 0 {
		t.Errorf("%d deleted entries, %d sectors", r.LostDeleted, r.Skipped)
	}
	// With few pieces the shortest run is copied, and with it what it holds.
	w.Free, w.MaxPieces = "", 64+5
	r = mustPlan(t, v, tab, w)
	n := &counter{}
	if err := r.Emit(n); err != nil || r.LostDeleted != 1 || !hasCode(r.Findings, "free-gaps-copied") {
		t.Errorf("%d deleted entries, %d pieces: %v", r.LostDeleted, n.Pieces, err)
	}
	s.Holds(t, onCard(t, s, r))
}

// Of runs of the same length no more are copied than the pieces ask for; a
// deleted directory counts as an entry with content.
func TestFewGaps(t *testing.T) {
	var files []any
	for i := range 10 {
		files = append(files, fmt.Sprintf("K%d", i), 1, fmt.Sprintf("-D%d", i), 1)
	}
	s := lay(t, fat16, append(files, "END", 1, "DIR", 0)...)
	v, _ := read(t, s)
	b, _ := image.ReadSectors(s, disk.Span{Start: v.RootSpan().Start, Count: 2})
	dir := b[bytes.Index(b, []byte("DIR     ")):]
	cluster := uint32(dir[26]) | uint32(dir[27])<<8
	dir[0] = 0xE5
	s.Put(v.RootSpan().Start, b)
	s.poke(t, map[uint32]uint16{cluster: 0})
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 15000}
	if r := mustPlan(t, v, tab, w); r.LostDeleted != 11 {
		t.Errorf("%d deleted entries", r.LostDeleted)
	}
	w.MaxPieces = 64 + 22 - 5 // each run that is copied saves two
	if r := mustPlan(t, v, tab, w); r.LostDeleted != 11-3 {
		t.Errorf("%d deleted entries", r.LostDeleted)
	}
}

// What lies between the last whole cluster and the end of a volume belongs to
// no cluster, so no table calls it free: a change of the size asks for it.
func TestInUseBehindTheLastCluster(t *testing.T) {
	o := fat16
	o.Sectors += 2 // one of them fills the last cluster
	s := lay(t, o, "A.WAV", 10)
	v, tab := read(t, s)
	end := v.Cluster(uint32(v.Clusters) + 1).End()
	if end >= v.Sectors {
		t.Fatalf("the last cluster ends at sector %d of %d", end, v.Sectors)
	}
	w := volume.Wishes{Mode: volume.Shrink, Sectors: 12000}
	mustPlan(t, v, tab, w)
	s.Put(end, bytes.Repeat([]byte{0x5A}, 512))
	if f := mustRefuse(t, v, tab, w, "volume-rest-in-use").Need; f[0].Sector != end {
		t.Errorf("%+v", f)
	}
	w.Accept = accept("volume-rest-in-use")
	mustPlan(t, v, tab, w)
	mustPlan(t, v, tab, volume.Wishes{Mode: volume.Keep})
}

func hasFinding(list []disk.Finding, code disk.Code) bool {
	return slices.ContainsFunc(list, func(f disk.Finding) bool { return f.Code == code })
}
