package starts_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math/rand"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// byName is a disk whose active volume looks for START.SYS by its name, as boot code of
// DOS does (common practice, no source). Files follow each other in the order of names;
// a name with a dash in front is deleted again, one of a number is so many clusters long.
func byName(t *testing.T, files ...any) *imagetest.Disk {
	t.Helper()
	const start, count = 63, 20_000
	d := imagetest.New(24_000, 512)
	disks.MBR(d, disks.Entry{Span: disk.Span{Start: start, Count: count}, Type: 6, Active: true})
	v, err := format.New(io.NewOffsetWriter(d, start*512), format.Options{Sectors: count, Kind: fat.FAT16,
		SectorsPerCluster: 2, Hidden: start})
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewSource(4))
	var gone []string
	for i := 0; i < len(files); i += 2 {
		name, b := files[i].(string), make([]byte, files[i+1].(int)*1024)
		rng.Read(b)
		if name[0] == '-' {
			name = name[1:]
			gone = append(gone, name)
		}
		if err := v.Add(name, bytes.NewReader(b), int64(len(b)), format.File{}); err != nil {
			t.Fatal(err)
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
	b, err := image.ReadSector(d, start)
	if err != nil {
		t.Fatal(err)
	}
	copy(b[0x1E0:], "START   SYS")
	d.Put(start, b)
	return d
}

// judged plans a card of a disk and says whether it starts. asked are the codes that were
// accepted on the way.
func judged(t *testing.T, d image.Source, w fit.Wishes) (r *starts.Report, asked []disk.Code) {
	t.Helper()
	m, err := scan.Run(t.Context(), d, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return judgedWith(t, d, m, w)
}

func judgedWith(t *testing.T, d image.Source, m *layout.Map, w fit.Wishes) (r *starts.Report, asked []disk.Code) {
	t.Helper()
	for {
		p, err := fit.Plan(t.Context(), d, m, w)
		var no *fit.Refused
		if errors.As(err, &no) && len(no.Why) == 0 && len(no.Need) > 0 {
			for _, f := range no.Need {
				if !slices.Contains(w.Accept, f.Code) {
					asked = append(asked, f.Code)
					w.Accept = append(w.Accept, f.Code)
				}
			}
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if r, err = starts.Judge(t.Context(), p, d, m, starts.Known{}); err != nil {
			t.Fatal(err)
		}
		return r, asked
	}
}

// What boot code looks for by its name starts while it lies in one piece, wherever that
// is; in more pieces it cannot be known; and it does not where it is gone, which plan asks
// about.
func TestFilesLookedForByName(t *testing.T) {
	small := fit.Wishes{Target: plan.Size{Sectors: 12_000, SectorSize: 512}}
	whole := byName(t, "-GAP", 6000, "START.SYS", 10)
	r, asked := judged(t, whole, small)
	if r.Answer != starts.NothingFound || len(asked) > 0 || !slices.ContainsFunc(r.Ways[0].Chain,
		func(s string) bool { return strings.Contains(s, "START.SYS") }) {
		t.Errorf("in one piece: %s, asked %v, %+v", r.Answer, asked, r.Ways)
	}

	files := []any{"FULL", 4000}
	for i := range 10 {
		files = append(files, fmt.Sprintf("-GAP%d", i), 6, fmt.Sprintf("S%d", i), 80)
	}
	cut := byName(t, append(files, "START.SYS", 10)...)
	m, err := scan.Run(t.Context(), cut, scan.Options{})
	if err != nil {
		t.Fatal(err)
	}
	small.Target.Sectors = m.Volume(1).PartsOf(layout.PartData)[0].Start + 2*(4000+10*86+4) // within START.SYS
	r, asked = judgedWith(t, cut, m, small)
	if r.Answer != starts.CannotKnow || !slices.Equal(asked, []disk.Code{disk.SystemFileMoves}) ||
		!strings.Contains(strings.Join(r.Ways[0].Cannot, "\n"), "2 pieces") {
		t.Errorf("in two pieces: %s, asked %v, %+v", r.Answer, asked, r.Ways)
	}

	small.Volumes = fit.Volumes{Wish: map[int]volume.Wishes{1: {Empty: true}}}
	r, asked = judged(t, whole, small)
	if r.Answer != starts.WillNot || !slices.Contains(asked, disk.LinkedFileGone) || len(r.Gone) != 1 ||
		r.Gone[0].Path != "START.SYS" {
		t.Errorf("gone: %s, asked %v, %+v", r.Answer, asked, r.Ways)
	}
}

// asGPT gives a disk of byName a GUID partition table with the same entry, and code in
// sector 0. legacy marks the entry as one that such code starts (UEFI Specification 2.10,
// table 5.7, bit 2).
func asGPT(t *testing.T, d *imagetest.Disk, legacy bool) *imagetest.Disk {
	t.Helper()
	disks.GPT(d, disks.Entry{Span: disk.Span{Start: 63, Count: 20_000}})
	last := d.Size()/512 - 1
	put := func(b []byte, at int64) {
		if _, err := d.WriteAt(b, at); err != nil {
			t.Fatal(err)
		}
	}
	put([]byte{0xEB}, 0)
	for _, at := range []struct{ header, array int64 }{{1, 2}, {last, last - 32}} {
		if !legacy {
			break
		}
		put([]byte{1 << 2}, at.array*512+48)
		array, err := image.ReadSectors(d, disk.Span{Start: disk.Sector(at.array), Count: 32})
		if err != nil {
			t.Fatal(err)
		}
		h, err := image.ReadSector(d, disk.Sector(at.header))
		if err != nil {
			t.Fatal(err)
		}
		le := binary.LittleEndian
		le.PutUint32(h[88:], crc32.ChecksumIEEE(array))
		le.PutUint32(h[16:], 0)
		le.PutUint32(h[16:], crc32.ChecksumIEEE(h[:92]))
		put(h, at.header*512)
	}
	return d
}

// A GUID partition table has no active entry: what boot code looks for by its name is told
// of too where the code of sector 0 may start that boot code, and where the table says that
// it does.
func TestFilesLookedForByNameInGPT(t *testing.T) {
	files := []any{"FULL", 4000}
	for i := range 10 {
		files = append(files, fmt.Sprintf("-GAP%d", i), 6, fmt.Sprintf("S%d", i), 80)
	}
	for _, legacy := range []bool{false, true} {
		whole := asGPT(t, byName(t, "-GAP", 6000, "START.SYS", 10), legacy)
		r, _ := judged(t, whole, fit.Wishes{Target: plan.Size{Sectors: 12_000, SectorSize: 512}})
		w := r.Ways[0]
		if said := strings.Join(w.Chain, "\n"); w.Method != starts.GPT || r.Answer != starts.NothingFound ||
			strings.Contains(said, "START.SYS") != legacy {
			t.Errorf("legacy %v, in one piece: %s, %+v", legacy, r.Answer, r.Ways)
		}
		cut := asGPT(t, byName(t, append(files, "START.SYS", 10)...), legacy)
		m, err := scan.Run(t.Context(), cut, scan.Options{})
		if err != nil {
			t.Fatal(err)
		}
		end := m.Volume(1).PartsOf(layout.PartData)[0].Start + 2*(4000+10*86+4) // within START.SYS
		r, _ = judgedWith(t, cut, m, fit.Wishes{Target: plan.Size{Sectors: end + 33, SectorSize: 512}})
		if said := strings.Join(r.Ways[0].Cannot, "\n"); r.Answer != starts.CannotKnow || !strings.Contains(said, "2 pieces") ||
			strings.Contains(said, "if that is what starts") == legacy {
			t.Errorf("legacy %v, in two pieces: %s, %+v", legacy, r.Answer, r.Ways)
		}
	}
}

// A kit without the files that boot code names tells the plan of their places: no link shows
// them, and what starts through them will not start.
func TestFileThatIsNotInTheKit(t *testing.T) {
	w := volume.Wishes{Empty: true, Kept: []volume.Kept{{Extents: []disk.Span{{Start: 200, Count: 4}}}}}
	r, asked := judged(t, byName(t, "A.BIN", 30), fit.Wishes{Target: plan.Size{Sectors: 24_000, SectorSize: 512},
		Volumes: fit.Volumes{Wish: map[int]volume.Wishes{1: w}}})
	if r.Answer != starts.WillNot || !slices.Contains(asked, disk.LinkedFileGone) ||
		!strings.Contains(strings.Join(r.Ways[0].Broken, "\n"), "sector 200 of the volume") {
		t.Errorf("%s, asked %v: %+v", r.Answer, asked, r.Ways)
	}
}

// Code that no active entry binds to a volume may open files of any: that one was made empty
// is told. GRUB 2 in a boot partition of a GUID table, whose menu lies in such a volume, does
// not start (seen in SeaBIOS).
func TestVolumeMadeEmptyThatCodeMayRead(t *testing.T) {
	d := byName(t, "A.BIN", 30)
	for at, b := range map[int64]byte{0: 0xEB, 446: 0} { // code, and no active entry
		if _, err := d.WriteAt([]byte{b}, at); err != nil {
			t.Fatal(err)
		}
	}
	r, asked := judged(t, d, fit.Wishes{Target: plan.Size{Sectors: 30_000, SectorSize: 512},
		Volumes: fit.Volumes{Wish: map[int]volume.Wishes{1: {Empty: true}}}})
	if said := strings.Join(r.Ways[0].Cannot, "\n"); r.Answer != starts.CannotKnow || len(asked) > 0 ||
		!strings.Contains(said, "volume 1 was made empty") {
		t.Errorf("%s, asked %v: %+v", r.Answer, asked, r.Ways)
	}
}
