package resize_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
	"bootgraft/layout/volume/fat/resize"
)

// small is a volume in memory whose files are known.
type small struct {
	*imagetest.Disk
	Files map[string][]byte
}

// lay makes a volume with the files of sizes given in clusters, in order; a
// name with a minus sign before it is removed at the end, so that its clusters
// are free.
func lay(t testing.TB, o format.Options, files ...any) *small {
	t.Helper()
	o.Label = "TAKES"
	d := imagetest.New(disk.Sector(o.Sectors)*disk.Sector(max(1, o.BytesPerSector/512)), 512)
	v, err := format.New(d, o)
	if err != nil {
		t.Fatal(err)
	}
	s := &small{d, map[string][]byte{}}
	rng := rand.New(rand.NewSource(1))
	var gone []string
	for i := 0; i < len(files); i += 2 {
		name, n := files[i].(string), files[i+1].(int)
		keep := name[0] != '-'
		if !keep {
			name = name[1:]
			gone = append(gone, name)
		}
		if n == 0 {
			if err := v.Mkdir(name, format.File{}); err != nil {
				t.Fatal(err)
			}
			continue
		}
		b := make([]byte, n*v.SectorsPerCluster*v.BytesPerSector-3)
		rng.Read(b)
		if err := v.Add(name, bytes.NewReader(b), int64(len(b)), format.File{}); err != nil {
			t.Fatal(err)
		}
		if keep {
			s.Files[name] = b
		}
	}
	for _, name := range gone {
		if err := v.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	return s
}

// onCard returns the planned volume as it will read on the card.
func onCard(t testing.TB, src image.Source, r *resize.Result) image.Source {
	t.Helper()
	c, err := card.New(planned(t, src, r), src)
	if err != nil {
		t.Fatal(err)
	}
	return image.NewWindow(c, disk.Span{Start: edge, Count: r.Sectors})
}

// holds compares the files of a volume with what they must be.
func (s *small) Holds(t testing.TB, src image.Source) (*fat.Volume, *fat.Table) {
	t.Helper()
	v, tab := read(t, src)
	n := 0
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if f.Dir {
			continue
		}
		n++
		b, err := io.ReadAll(v.Open(f).Reader())
		if err != nil || !bytes.Equal(b, s.Files[f.Path]) {
			t.Errorf("%s: %d bytes differ, %v", f.Path, len(b), err)
		}
	}
	if n != len(s.Files) {
		t.Errorf("%d files of %d", n, len(s.Files))
	}
	if h := v.Check(tab); !h.Sound() || hasCode(h.Findings, "fsinfo-wrong") {
		t.Errorf("%+v, %+v", h.Problems, h.Findings)
	}
	return v, tab
}

var fat16 = format.Options{Sectors: 20000, Kind: fat.FAT16, SectorsPerCluster: 2}

// A root directory at the end, one active table, and reserved bits in its
// entries: the root moves, the bits stay with their places, the other table
// is left alone but for the marks behind the last cluster.
func TestFAT32Oddities(t *testing.T) {
	s := lay(t, format.Options{Sectors: 140000, Kind: fat.FAT32, SectorsPerCluster: 2, RootCluster: 69000},
		"-GONE", 3000, "A.WAV", 100, "DIR", 0, "DIR/SUB", 0, "DIR/SUB/B.WAV", 7)
	v, _ := read(t, s)
	for _, boot := range []disk.Sector{0, 6} {
		b, _ := image.ReadSectors(s, disk.Span{Start: boot, Count: 1})
		b[40] = 0x81
		s.Put(boot, b)
	}
	info, _ := image.ReadSectors(s, disk.Span{Start: 1, Count: 1})
	fat.SetFSInfoHints(info, v.FSInfo.Free-1, v.Clusters) // beyond the new end
	s.Put(1, info)
	table := v.TableSpan(1)
	b, _ := image.ReadSectors(s, table)
	copy(b[4*100:], []byte{0xF7, 0xFF, 0xFF, 0x0F}) // a bad cluster, F20
	for i := 8; i < len(b); i += 4 {
		b[i+3] |= byte(i/4%15+1) << 4
	}
	s.Put(table.Start, b)
	old := v.TableSpan(0)
	s.Put(old.Start+1, bytes.Repeat([]byte{0x11}, 512)) // the other table is old

	v, tab := read(t, s)
	r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 135000})
	card := onCard(t, s, r)
	v2, tab2 := s.Holds(t, card)
	if v2.Active != 1 || v2.BPB.RootCluster == 69000 || v2.FSInfo == nil || v2.FSInfo.Free != v2.Check(tab2).Free {
		t.Errorf("active %d, root %d, FSInfo %+v", v2.Active, v2.BPB.RootCluster, v2.FSInfo)
	}
	for c := uint32(2); c <= tab2.Clusters+1; c++ {
		if tab2.Entries[c]>>28 != tab.Entries[c]>>28 {
			t.Fatalf("entry %d: %#x, was %#x", c, tab2.Entries[c], tab.Entries[c])
		}
	}
	x, _ := image.ReadSectors(card, disk.Span{Start: old.Start + 1, Count: 1})
	if !bytes.Equal(x, bytes.Repeat([]byte{0x11}, 512)) {
		t.Error("the table that is not active changed")
	}
	marked(t, v2)
	was, _ := image.ReadSectors(s, table)
	is, _ := image.ReadSectors(card, v2.TableSpan(1))
	for i := 11; i < len(is); i += 4 {
		if is[i]>>4 != was[i]>>4 {
			t.Fatalf("the reserved bits of entry %d behind the last cluster changed", i/4)
		}
	}
}

// What need not change is one copy; nothing but the size of a smaller volume
// whose files all stay is made new.
func TestSmallestChange(t *testing.T) {
	s := lay(t, fat16, "A.WAV", 10)
	v, tab := read(t, s)
	n := &counter{}
	if r := mustPlan(t, v, tab, volume.Wishes{}); r.Changed() || r.Emit(n) != nil || n.Pieces != 1 || n.Rendered != 0 {
		t.Errorf("%d pieces, %d bytes made new", n.Pieces, n.Rendered)
	}
	n = &counter{}
	r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 15000, Slack: volume.SlackKeep, Free: volume.FreeCopy})
	if err := r.Emit(n); err != nil || n.Rendered != 512 || n.Pieces > 3 {
		t.Errorf("%d pieces, %d bytes made new: %v", n.Pieces, n.Rendered, err)
	}
}

// A file that lies in one piece across the new end moves as a whole if there
// is room, else only what must move does.
func TestStaysInOnePiece(t *testing.T) {
	for _, c := range []struct {
		gap, clusters int
		runs          int
		moved         uint32
	}{{900, 800, 1, 800}, {500, 800, 2, 300}} {
		s := lay(t, fat16, "-GAP", c.gap, "FULL", 5000, "A.WAV", c.clusters)
		v, tab := read(t, s)
		size := v.Cluster(uint32(2 + c.gap + 5000 + 500)).Start // 500 clusters of A.WAV stay below
		r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: size})
		if r.MovedClusters != c.moved || r.MovedFiles != 1 {
			t.Errorf("%+v: %d clusters of %d files move", c, r.MovedClusters, r.MovedFiles)
		}
		v2, tab2 := s.Holds(t, onCard(t, s, r))
		for f := range v2.NewWalk(tab2, fat.WalkOptions{}).Files() {
			if f.Path == "A.WAV" && len(f.Chain.Runs) != c.runs {
				t.Errorf("%+v: A.WAV lies in %d pieces", c, len(f.Chain.Runs))
			}
		}
	}
}

// F01 to F04: FG, "FAT Type Determination" parts the types at 4,085 and
// 65,525, and "FAT Volume Initialization" asks to stay at least 16 clusters away
// from both.
func TestTypeBoundaries(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		kind     fat.Kind
		clusters int64
		down, up bool
	}{
		{fat.FAT12, 4067, true, true}, {fat.FAT12, 4068, true, false}, {fat.FAT12, 4084, true, false},
		{fat.FAT16, 4087, false, true}, {fat.FAT16, 4102, false, true}, {fat.FAT16, 4103, true, true},
		{fat.FAT16, 65507, true, true}, {fat.FAT16, 65508, true, false}, {fat.FAT16, 65524, true, false},
		{fat.FAT32, 65527, false, true}, {fat.FAT32, 65542, false, true}, {fat.FAT32, 65543, true, true},
	} {
		s := sizedWith(t, format.Options{Kind: c.kind, SectorsPerCluster: 1}, c.clusters)
		v, tab := read(t, s)
		down := v.Cluster(uint32(c.clusters) + 1).Start
		if w := (volume.Wishes{Mode: volume.Shrink, Sectors: down}); c.down {
			s.Holds(t, onCard(t, s, mustPlan(t, v, tab, w)))
		} else {
			mustRefuse(t, v, tab, w, "volume-too-small")
		}
		r := mustPlan(t, v, tab, volume.Wishes{Mode: volume.Grow, Room: v.Sectors + 20})
		v2, _ := s.Holds(t, onCard(t, s, r))
		if got := int64(v2.Clusters) > c.clusters; got != c.up || v2.Kind != c.kind || !hasCode(r.Findings, "grow-capped") {
			t.Errorf("%s of %d clusters grows to %d", c.kind, c.clusters, v2.Clusters)
		}
		if !c.up {
			w := volume.Wishes{Mode: volume.Grow, Room: v.Sectors + 100, Sectors: r.Sectors + 1}
			mustRefuse(t, v, tab, w, "grow-too-large")
		}
	}
}

// F03: 4,085 clusters are FAT16 to one system and FAT12 to another, so a change
// is asked about.
func TestDisputedType(t *testing.T) {
	s := sizedWith(t, format.Options{Kind: fat.FAT16, SectorsPerCluster: 1}, 4085)
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Grow, Room: v.Sectors + 100}
	mustRefuse(t, v, tab, w, "fat-type-boundary")
	w.Accept = accept("fat-type-boundary")
	s.Holds(t, onCard(t, s, mustPlan(t, v, tab, w)))
}

// F09, F10: the published formula gives FAT16 of 8,769 sectors a table of 17
// sectors, one entry short. Every size around it must have an entry for each
// cluster, and no table is longer than it must be. TestRandom lets fsck.fat
// say the same.
func TestTableIsLongEnough(t *testing.T) {
	t.Parallel()
	s := lay(t, format.Options{Sectors: 8500, Kind: fat.FAT16, SectorsPerCluster: 2}, "A.WAV", 3)
	v, tab := read(t, s)
	for want := disk.Sector(8501); want < 9600; want++ {
		r, err := resize.Plan(v, tab, nil, volume.Wishes{Mode: volume.Grow, Sectors: want, Room: want})
		if err != nil {
			mustRefuse(t, v, tab, volume.Wishes{Mode: volume.Grow, Sectors: want, Room: want}, "grow-costs-clusters")
			continue
		}
		v2, _ := read(t, onCard(t, s, r))
		need := (int64(v2.DataClusters) + 2 + 255) / 256
		if have := v2.BPB.SectorsPerFAT(); have < need || have > max(need+1, v.BPB.SectorsPerFAT()) || want == 8769 && have != 18 {
			t.Fatalf("%d sectors: a table of %d sectors for %d clusters", want, have, v2.DataClusters)
		}
	}
}

// FG, "Boot Sector and BPB Structure": a size below 65,536 has the field of 16
// bits on FAT12 and FAT16, a larger one that of 32.
func TestSizeFields(t *testing.T) {
	s := lay(t, format.Options{Sectors: 70000, Kind: fat.FAT16, SectorsPerCluster: 4}, "A.WAV", 3)
	v, tab := read(t, s)
	down := onCard(t, s, mustPlan(t, v, tab, volume.Wishes{Mode: volume.Shrink, Sectors: 65535}))
	v2, tab2 := s.Holds(t, down)
	if v2.BPB.TotalSectors16 != 65535 || v2.BPB.TotalSectors32 != 0 {
		t.Errorf("%d, %d", v2.BPB.TotalSectors16, v2.BPB.TotalSectors32)
	}
	up := onCard(t, down, mustPlan(t, v2, tab2, volume.Wishes{Mode: volume.Grow, Sectors: 65536, Room: 65536}))
	if v3, _ := s.Holds(t, up); v3.BPB.TotalSectors16 != 0 || v3.BPB.TotalSectors32 != 65536 {
		t.Errorf("%d, %d", v3.BPB.TotalSectors16, v3.BPB.TotalSectors32)
	}
}

// Only the fields that were asked for change, in both boot sectors.
func TestHiddenAndGeometry(t *testing.T) {
	s := lay(t, format.Options{Sectors: 70000, Kind: fat.FAT32, SectorsPerCluster: 1}, "A.WAV", 3)
	v, tab := read(t, s)
	hidden := uint32(8192)
	r := mustPlan(t, v, tab, volume.Wishes{Hidden: &hidden, Geometry: &volume.CHS{Heads: 64, SectorsPerTrack: 32}})
	card := onCard(t, s, r)
	want := make([]byte, s.Size())
	if err := image.ReadFull(s, want, 0); err != nil {
		t.Fatal(err)
	}
	for _, at := range []int{0, 6 * 512} {
		binary.LittleEndian.PutUint16(want[at+24:], 32)
		binary.LittleEndian.PutUint16(want[at+26:], 64)
		binary.LittleEndian.PutUint32(want[at+28:], 8192)
	}
	have := make([]byte, s.Size())
	if err := image.ReadFull(card, have, 0); err != nil || !bytes.Equal(have, want) {
		t.Errorf("more or less than the fields changed: %v", err)
	}
	if !hasCode(r.Findings, "hidden-changed") || !hasCode(r.Findings, "geometry-changed") {
		t.Errorf("%+v", r.Findings)
	}
}

func TestAlign(t *testing.T) {
	s := lay(t, fat16, "A.WAV", 10)
	v, tab := read(t, s)
	w := volume.Wishes{Mode: volume.Keep, Base: 63, Align: 2048}
	r := mustPlan(t, v, tab, w)
	v2, _ := s.Holds(t, onCard(t, s, r))
	if (63+v2.Data)%2048 != 0 || v2.Sectors != v.Sectors || !hasCode(r.Findings, "reserved-changed") || !r.Shifted {
		t.Errorf("cluster 2 in sector %d, %+v", v2.Data, r.Findings)
	}
	w.Align = 1 << 20
	mustRefuse(t, v, tab, w, "align-impossible")
}

// L01, and the walls that devices are known for: the limit of the device
// stops growing, and the finding names it.
func TestGrowCapped(t *testing.T) {
	s := lay(t, fat16, "A.WAV", 10)
	v, tab := read(t, s)
	for _, c := range []struct {
		w    volume.Wishes
		want disk.Sector
		name string
	}{
		{volume.Wishes{Room: 30000}, 30000, "the room"},
		{volume.Wishes{Room: 30000, Reserve: 300}, 29700, "the room"},
		{volume.Wishes{Room: 30000, Limit: 25000}, 25000, "the limit of the device"},
		{volume.Wishes{Room: 30000, Reserve: 300, Sectors: 30000}, 30000, ""},
		{volume.Wishes{Room: 200000}, 0, "65,508 clusters"},
		{volume.Wishes{Room: 30000, MoveNone: true}, 0, "the length of the allocation tables"},
	} {
		c.w.Mode = volume.Grow
		r := mustPlan(t, v, tab, c.w)
		text := fmt.Sprint(r.Findings)
		if c.want != 0 && r.Sectors != c.want || !bytes.Contains([]byte(text), []byte(c.name)) {
			t.Errorf("%+v: %d sectors, %s", c.w, r.Sectors, text)
		}
		s.Holds(t, onCard(t, s, r))
	}
	mustRefuse(t, v, tab, volume.Wishes{Mode: volume.Grow, Room: 30000, Sectors: 30001}, "grow-too-large")
	mustRefuse(t, v, tab, volume.Wishes{Mode: volume.Grow, Room: 30000, Sectors: 26000, Limit: 25000}, "grow-too-large")
	mustRefuse(t, v, tab, volume.Wishes{Mode: volume.Keep, Room: 19999}, "volume-does-not-fit")
}
