package resize_test

import (
	"encoding/binary"
	"slices"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
	"bootgraft/layout/volume/fat/resize"
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
	free := mustPlan(t, v, tab, resize.Wishes{Mode: resize.Shrink, Sectors: 10000})
	s.Holds(t, onCard(t, s, free))
	w := resize.Wishes{Mode: resize.Shrink, Sectors: 10000, Pins: []string{"/keep.sys"}}
	r := mustRefuse(t, v, tab, w, "volume-too-small")
	if want := v.Cluster(6002 + 10).Start; r.Limits.Smallest != want {
		t.Errorf("the smallest size is %d, want %d", r.Limits.Smallest, want)
	}
	w.Sectors = r.Limits.Smallest
	s.Holds(t, onCard(t, s, mustPlan(t, v, tab, w)))
	w.Sectors, w.Accept = 10000, accept("pin-moves")
	if moved := mustPlan(t, v, tab, w); !hasCode(moved.Findings, "pin-moves") || moved.MovedClusters != 10 {
		t.Errorf("%+v", moved)
	}
	w = resize.Wishes{Mode: resize.Grow, Room: 40000, Pins: []string{"KEEP.SYS"}}
	in := mustRefuse(t, v, tab, w, "pin-moves").Limits.LargestInPlace
	w.Sectors = in
	if still := mustPlan(t, v, tab, w); still.Shifted || still.Sectors != in {
		t.Errorf("%+v", still)
	}
	mustRefuse(t, v, tab, resize.Wishes{Pins: []string{"NONE.SYS"}}, "pin-not-found")
}

// A boot sector that looks for a file by name, as those of DOS do, pins its
// clusters; they may shift as one, since it computes where they lie (common
// practice, no source).
func TestSystemFile(t *testing.T) {
	s := lay(t, fat16, "-GAP", 6000, "IO.SYS", 10)
	b, _ := image.ReadSectors(s, disk.Span{Count: 1})
	copy(b[0x1E0:], "IO      SYS")
	s.Put(0, b)
	v, tab := read(t, s)
	w := resize.Wishes{Mode: resize.Shrink, Sectors: 10000}
	mustRefuse(t, v, tab, w, "volume-too-small")
	w.Accept = accept("system-file-moves")
	if r := mustPlan(t, v, tab, w); !hasCode(r.Findings, "system-file-moves") {
		t.Errorf("%+v", r.Findings)
	}
	r := mustPlan(t, v, tab, resize.Wishes{Mode: resize.Grow, Room: 40000})
	if !r.Shifted {
		t.Error("the data area should have moved")
	}
	s.Holds(t, onCard(t, s, r))
}

// A loader whose first sector is named in the boot sector, and which lists its
// own other sectors, counted from the volume or from the disk: such as one
// that is installed by patching addresses into itself (common practice, no
// source).
func TestLoader(t *testing.T) {
	const base = 8192
	for _, c := range []struct {
		name  string
		place func(s *small, code, file []byte, first uint32) [][]byte
		from  disk.Sector
	}{
		{"in-volume", func(s *small, code, file []byte, first uint32) [][]byte {
			binary.LittleEndian.PutUint32(code[0x101:], first)
			binary.LittleEndian.PutUint32(file[0x203:], first+1)
			return nil
		}, 0},
		{"on-disk", func(s *small, code, file []byte, first uint32) [][]byte {
			binary.LittleEndian.PutUint32(code[0x180:], first+base)
			binary.LittleEndian.PutUint32(file[0x1F4:], first+base+1)
			return nil
		}, base},
		{"from-the-master-boot-record", func(s *small, code, file []byte, first uint32) [][]byte {
			mbr := make([]byte, 512)
			binary.LittleEndian.PutUint32(mbr[0x5C:], first+base)
			binary.LittleEndian.PutUint32(file[0x1F4:], first+base+1)
			return [][]byte{mbr[:440]}
		}, base},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := lay(t, format.Options{Sectors: 20000, Kind: fat.FAT16, SectorsPerCluster: 2}, "-GAP", 6000, "LOADER.BIN", 10, "SONG.WAV", 5)
			v, _ := read(t, s)
			first := v.Cluster(6002).Start
			code, _ := image.ReadSectors(s, disk.Span{Count: 1})
			file, _ := image.ReadSectors(s, disk.Span{Start: first, Count: 4})
			w := resize.Wishes{Mode: resize.Shrink, Sectors: 10000, From: c.from, Base: c.from}
			w.BootCode = c.place(s, code, file, uint32(first))
			s.Put(0, code)
			s.Put(first, file)
			copy(s.Files["LOADER.BIN"], file)
			v, tab := read(t, s)
			r := mustRefuse(t, v, tab, w, "volume-too-small")
			if want := v.Cluster(6012).Start; r.Limits.Smallest != want {
				t.Errorf("the smallest size is %d, want %d", r.Limits.Smallest, want)
			}
			w.Sectors = r.Limits.Smallest // the song moves, the loader stays
			if got := mustPlan(t, v, tab, w); got.MovedClusters != 5 {
				t.Errorf("%d clusters move", got.MovedClusters)
			}
			w = resize.Wishes{Mode: resize.Grow, Room: 40000, From: c.from, Base: c.from, BootCode: w.BootCode}
			mustRefuse(t, v, tab, w, "loader-file-moves")
		})
	}
}

// A file across the new end of which a part is pinned does not move as a
// whole: here its end may move, by the owner's leave for that one code.
func TestPinnedStraddler(t *testing.T) {
	s := lay(t, fat16, "-GAP", 2000, "FULL", 5000, "A.WAV", 800)
	v, tab := read(t, s)
	w := resize.Wishes{Mode: resize.Shrink, Sectors: v.Cluster(7502).Start, Pins: []string{"A.WAV"}}
	mustRefuse(t, v, tab, w, "volume-too-small")
	w.Accept = accept("pin-moves")
	if r := mustPlan(t, v, tab, w); r.MovedClusters != 800 {
		t.Errorf("%d clusters move", r.MovedClusters)
	}
}

// What shifts says so, in the findings and in the reason of each piece.
func TestShiftIsSaid(t *testing.T) {
	s := lay(t, fat16, "A.WAV", 10)
	v, tab := read(t, s)
	r := mustPlan(t, v, tab, resize.Wishes{Mode: resize.Grow, Room: 40000})
	if !r.Shifted || !hasCode(r.Findings, "data-area-shifted") {
		t.Errorf("%+v", r.Findings)
	}
	for _, q := range planned(t, s, r).Pieces {
		if q.Op == layout.Copy && (q.Why == layout.WhyUnchanged) != (q.From == q.Start-edge) {
			t.Errorf("%+v", q)
		}
	}
}

// FG, "Boot Sector and BPB" and "FAT32 FSInfo Sector Structure and Backup Boot
// Sector": the fields there are lengths and counts. One that equals the sector of
// a hidden file pins nothing; the same number in code beside it does.
func TestFieldsPinNothing(t *testing.T) {
	t.Parallel()
	s := lay(t, format.Options{Sectors: 100000, Kind: fat.FAT32, SectorsPerCluster: 1}, "-GAP", 70000, "SECRET.BIN", 10)
	v, tab := read(t, s)
	first := v.Cluster(fileAt(t, v, tab, "SECRET.BIN")).Start
	hide(t, s, "SECRET.BIN")
	for _, c := range []struct {
		name   string
		sector disk.Sector
		byte   int
		pins   bool
	}{
		{"hidden sectors", 0, 28, false}, {"last bytes of the fields", 0, 86, false}, {"code", 0, 90, true},
		{"end of the code", 0, 506, true}, {"into the signature", 0, 508, false},
		{"free clusters in FSInfo", 1, 488, false}, {"next free cluster in FSInfo", 1, 492, false},
		{"third sector of code", 2, 100, true},
		{"hidden sectors of the backup", 6, 28, false}, {"size in the backup", 6, 32, false}, {"code of the backup", 6, 300, true},
		{"free clusters in the FSInfo of the backup", 7, 488, false}, {"after the backup", 9, 0, true},
	} {
		b, err := image.ReadSectors(s, disk.Span{Start: c.sector, Count: 1})
		if err != nil {
			t.Fatal(err)
		}
		old, before := [4]byte(b[c.byte:]), slices.Clone(b)
		binary.LittleEndian.PutUint32(b[c.byte:], uint32(first))
		if c.byte == 508 {
			copy(b[510:], old[2:])
		}
		s.Put(c.sector, b)
		v, tab = read(t, s)
		l := mustPlan(t, v, tab, resize.Wishes{}).Limits
		if pinned := l.Smallest > first; pinned != c.pins {
			t.Errorf("%s: pinned is %v, want %v (smallest %d, file at %d)", c.name, pinned, c.pins, l.Smallest, first)
		}
		s.Put(c.sector, before)
	}
}

// fileAt returns the first cluster of a file.
func fileAt(t *testing.T, v *fat.Volume, tab *fat.Table, path string) uint32 {
	t.Helper()
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if f.Path == path {
			return f.First
		}
	}
	t.Fatalf("there is no file %s", path)
	return 0
}

// hide gives a file the attributes of a part of a system.
func hide(t *testing.T, s *small, path string) {
	t.Helper()
	v, tab := read(t, s)
	for f := range v.NewWalk(tab, fat.WalkOptions{}).Files() {
		if f.Path != path {
			continue
		}
		b, err := image.ReadSectors(s, disk.Span{Start: f.Place.Sector, Count: 1})
		if err != nil {
			t.Fatal(err)
		}
		b[f.Place.Offset+11] |= 0x06
		s.Put(f.Place.Sector, b)
		return
	}
	t.Fatalf("there is no file %s", path)
}
