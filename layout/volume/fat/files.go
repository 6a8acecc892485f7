package fat

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume"
)

// Found implements volume.Volume.
func (v *Volume) Found() []disk.Finding { return v.Findings }

// Usage counts the clusters in use and compares the copies of the table: both
// come out of one reading of the tables, which are small.
func (v *Volume) Usage() (int64, []disk.Finding) {
	t, err := v.ActiveTable()
	if err != nil {
		return -1, []disk.Finding{disk.Warningf(disk.FATTableNotReadable, 0, "its allocation table cannot be read: %v", err)}
	}
	found := slices.Concat(t.Findings, v.CompareTables())
	if u := t.Usage(); u.Unknown == 0 {
		return int64(u.Used) * v.ClusterBytes(), found
	}
	return -1, found
}

// Files implements volume.Volume.
func (v *Volume) Files(o volume.Options, visit func(*volume.File) error) ([]disk.Finding, error) {
	table, err := v.ActiveTable()
	if err != nil {
		return volume.NotWalkable(err), nil
	}
	walk, err := v.files(table, o, visit)
	if err != nil {
		return nil, err
	}
	return slices.Concat(table.Findings, walk.Findings), nil
}

// files visits the root directory and what lies in it, as one table has it.
func (v *Volume) files(table *Table, o volume.Options, visit func(*volume.File) error) (*Walk, error) {
	if err := visit(v.root(table)); err != nil {
		return nil, err
	}
	walk := v.NewWalk(table, WalkOptions{CodePage: o.CodePage})
	for f := range walk.Files() {
		file := &volume.File{
			Path: f.Path, Dir: f.Dir, Regular: !f.Dir, Size: f.Size, Modified: f.Raw.Modified(), Accessed: f.Raw.Accessed(),
		}
		file.Guarded = f.Raw.Attr()&(AttrReadOnly|AttrHidden|AttrSystem) != 0
		entry := f.Raw
		clear(entry[18:20]) // the day
		file.Entry = string(entry[:])
		if !f.Dir {
			file.Content = v.Open(f)
		}
		v.lay(file, f.Extents(), f.Dir)
		if err := visit(file); err != nil {
			return nil, err
		}
	}
	return walk, nil
}

// root returns the root directory.
func (v *Volume) root(t *Table) *volume.File {
	where := []disk.Span{v.RootSpan()}
	if v.Kind == FAT32 {
		where = v.Extents(t.Follow(v.BPB.RootCluster).Runs)
	}
	out := &volume.File{Path: ".", Dir: true}
	v.lay(out, where, true)
	return out
}

// lay places the bytes of a file on its clusters, which it fills from the first
// on; a directory fills all of them.
func (v *Volume) lay(out *volume.File, where []disk.Span, whole bool) {
	n := int64(v.src.SectorSize())
	var at int64
	for _, s := range where {
		count := int64(s.Count) * n
		if !whole {
			count = min(count, out.Size-at)
		}
		if count <= 0 {
			break
		}
		out.Extents = append(out.Extents, volume.Extent{Offset: at, Bytes: count, Sectors: s})
		at += count
	}
	out.Short = max(0, out.Size-at)
}

// parts describes where what lies, on a disk on which the volume begins at base.
func (v *Volume) parts(base disk.Sector) []layout.Part {
	out := []layout.Part{{Span: v.ReservedSpan(), Role: layout.PartBoot}}
	for i := range v.BPB.FATs {
		out = append(out, layout.Part{Span: v.TableSpan(i), Role: layout.PartTable, Copy: i})
	}
	out = append(out, layout.Part{Span: disk.Between(v.Data, max(v.Data, v.Sectors)), Role: layout.PartData})
	for i := range out {
		out[i].Start += base
	}
	return out
}

// Copies implements volume.Volume: the tables, where all are kept alike, and boot
// sectors 0, 1 and 2 of FAT32 with their backups (FG, "FAT32 FSInfo Sector Structure
// and Backup Boot Sector").
func (v *Volume) Copies() []volume.Copy {
	out := v.bootCopies()
	for i := range v.BPB.FATs {
		for j := range v.BPB.FATs {
			if i != j && v.Mirrored {
				a, b := v.TableSpan(i), v.TableSpan(j)
				out = append(out, volume.Copy{Span: a, By: b.Start - a.Start, Name: fmt.Sprintf("allocation table %d", j)})
			}
		}
	}
	return out
}

func (v *Volume) bootCopies() []volume.Copy {
	n := disk.Sector(v.BPB.BackupSector)
	if v.Kind != FAT32 || n < 3 || n+3 > disk.Sector(v.BPB.Reserved) {
		return nil
	}
	info := func(b []byte) bool { return signed(b) && binary.LittleEndian.Uint32(b) == fsInfoLead }
	var out []volume.Copy
	for i, sound := range []func([]byte) bool{signed, info, signed} {
		first := disk.Span{Start: disk.Sector(i) * v.PerSector, Count: v.PerSector}
		second := disk.Span{Start: first.Start + n*v.PerSector, Count: v.PerSector}
		out = append(out,
			volume.Copy{Span: first, By: n * v.PerSector, Name: "the backup boot sectors", Sound: sound},
			volume.Copy{Span: second, By: -n * v.PerSector, Name: "the first boot sectors", Sound: sound})
	}
	return out
}

// noName is what stands in a boot sector without a label (FG, "Boot Sector and BPB
// Structure").
const noName = "NO NAME    "

// Marks implements volume.Volume: the serial number and the label in each boot
// sector (FG, "Boot Sector and BPB Structure").
func (v *Volume) Marks(read func(disk.Sector) []byte) (out []volume.Mark) {
	places := []disk.Sector{0}
	if n := v.BPB.BackupSector; v.Kind == FAT32 && n > 0 && int(n) < v.BPB.Reserved {
		places = append(places, disk.Sector(n)*v.PerSector)
	}
	first := read(0)
	for _, at := range places {
		b := read(at)
		if b == nil || first != nil && !bytes.Equal(b[11:24], first[11:24]) {
			continue
		}
		ext := 36
		if v.Kind == FAT32 {
			ext = 64
		}
		sign := b[ext+2]
		if sign != 0x28 && sign != 0x29 {
			continue
		}
		out = append(out, volume.Mark{Sector: at, Offset: ext + 3, Count: 4, What: "serial number"})
		if label := string(b[ext+7 : ext+18]); sign == 0x29 && label != noName && strings.Trim(label, " \x00") != "" {
			out = append(out, volume.Mark{Sector: at, Offset: ext + 7, Count: len(noName), What: "label", Blank: []byte(noName)})
		}
	}
	return out
}

// Counters implements volume.Volume: Microsoft FAT: General Overview of On-Disk
// Format v1.03, "FAT Volume Initialization" (entry 1) and "FAT32 FSInfo Sector
// Structure"; the state flag of the boot sector is common practice, no source.
func (v *Volume) Counters() []volume.Counter {
	size := int64(v.src.SectorSize())
	entry := int64(v.TableSpan(0).Start) * size
	switch v.Kind {
	case FAT32:
		return []volume.Counter{
			{Name: "the state flag of its boot sector", At: 0x41, Size: 1}, {Name: "the state bits of its first FAT",
				At: entry + 4, Size: 4},
			{Name: "the counters of its FSInfo", At: int64(v.BPB.FSInfoSector)*size + 488, Size: 8},
		}
	case FAT16:
		return []volume.Counter{
			{Name: "the state flag of its boot sector", At: 0x25, Size: 1}, {Name: "the state bits of its first FAT",
				At: entry + 2, Size: 2},
		}
	}
	return []volume.Counter{{Name: "the state flag of its boot sector", At: 0x25, Size: 1}}
}
