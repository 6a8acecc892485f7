package fat

import (
	"errors"
	"fmt"
	"strings"
	"sync/atomic"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Volume is a FAT volume as its boot sector describes it. All addresses are
// relative to the volume, in sectors of the source.
type Volume struct {
	BPB  BPB
	Kind Kind

	BootSector     disk.Sector // where the description was read: 0, or the backup
	Sectors        disk.Sector // the whole volume, as it states itself
	PerSector      disk.Sector // source sectors in one sector of the volume
	ClusterSectors disk.Sector
	Data           disk.Sector // first sector of cluster 2
	DataClusters   uint32      // clusters that the volume has room for
	Clusters       uint32      // those of them that its tables have entries for
	Active         int         // the table that counts; 0 where all do
	Mirrored       bool        // every change goes to all tables
	FSInfo         *FSInfo     // FAT32 with a valid one, else nil
	Findings       []disk.Finding
	Doubts         []Doubt // those of Findings that a change of the size must not pass over

	src    image.Source
	active atomic.Pointer[Table] // what ActiveTable returned
}

// Read reads the boot sectors at the start of src, and nothing else. src is
// the window of the volume's own partition, or a disk without one.
//
// If sector 0 cannot be read or is damaged, the backup boot sector of FAT32
// answers for it, with the finding fat-boot-from-backup. Errors are a
// *disk.FormatError, or wrap the error of a read.
func Read(src image.Source) (*Volume, error) {
	if err := image.CheckSectorSize(src.SectorSize()); err != nil {
		return nil, err
	}
	s, err := image.ReadSector(src, 0)
	if err != nil && image.Sectors(src) == 0 {
		return nil, disk.Absentf("FAT", 0, -1, "there is not one whole sector")
	}
	var b BPB
	if err == nil {
		b, err = accept(s, 0)
	}
	if err == nil {
		return newVolume(src, b, 0, s)
	}
	if v := readBackup(src, err); v != nil {
		return v, nil
	}
	return nil, err
}

// readBackup tries the place where the backup boot sector lies by convention
// (FG, "FAT32 FSInfo Sector Structure and Backup Boot Sector": "6 is the only
// value recommended"). As an older file system's backup can lie under a newer
// one, the start of the table must confirm it.
func readBackup(src image.Source, cause error) *Volume {
	var f *disk.FormatError
	if errors.As(cause, &f) && f.Fault == disk.Unsupported {
		return nil
	}
	for size := src.SectorSize(); size <= 4096; size *= 2 {
		per := disk.Sector(size / src.SectorSize())
		at := 6 * per
		s, err := image.ReadSector(src, at)
		if err != nil {
			continue
		}
		b, err := accept(s, at)
		if err != nil || !b.wide() || b.BytesPerSector != size || b.BackupSector != 6 || !tableStarts(src, &b, per) {
			continue
		}
		v, err := newVolume(src, b, at, s)
		if err != nil {
			continue
		}
		v.warn(disk.FATBootFromBackup, 0, "the volume's boot sector (sector 0) cannot be used: %v. Its backup in sector %d "+
			"answers for it; "+
			"the device may not start from this volume until sector 0 is written anew", cause, at)
		return v
	}
	return nil
}

// tableStarts tells whether one of the tables begins with the media byte.
func tableStarts(src image.Source, b *BPB, per disk.Sector) bool {
	for i := range int64(b.FATs) {
		at := disk.Sector(int64(b.Reserved)+i*b.SectorsPerFAT()) * per
		s, err := image.ReadSector(src, at)
		if err == nil && s[0] == b.Media && s[1] == 0xFF && s[2] == 0xFF && s[3]&0x0F == 0x0F {
			return true
		}
	}
	return false
}

func newVolume(src image.Source, b BPB, at disk.Sector, boot []byte) (*Volume, error) {
	if b.BytesPerSector < src.SectorSize() {
		return nil, disk.Unsupportedf("FAT", at, 11, "its sectors have %d bytes and those of the source %d; "+
			"open the image with --sector-size %d", b.BytesPerSector, src.SectorSize(), b.BytesPerSector)
	}
	per := disk.Sector(b.BytesPerSector / src.SectorSize())
	data := (b.TotalSectors() - b.firstData()) / int64(b.SectorsPerCluster)
	v := &Volume{
		BPB: b, Kind: b.kind(data), src: src,
		BootSector:     at,
		PerSector:      per,
		Sectors:        disk.Sector(b.TotalSectors()) * per,
		ClusterSectors: disk.Sector(b.SectorsPerCluster) * per,
		Data:           disk.Sector(b.firstData()) * per,
		DataClusters:   uint32(data),
		Mirrored:       true,
	}
	entries := b.SectorsPerFAT() * int64(b.BytesPerSector) * 8 / int64(v.Kind)
	v.Clusters = uint32(max(0, min(data, entries-2)))
	if v.Kind == FAT32 && b.ExtFlags&0x80 != 0 {
		v.Mirrored = false
		v.Active = int(b.ExtFlags & 0x0F)
	}
	v.judge(entries)
	if v.Kind == FAT32 {
		v.readFSInfo()
		v.compareBackup(boot)
	}
	return v, nil
}

func (v *Volume) note(code disk.Code, at disk.Sector, format string, args ...any) {
	v.Findings = append(v.Findings, disk.Notef(code, at, format, args...))
}

func (v *Volume) warn(code disk.Code, at disk.Sector, format string, args ...any) {
	v.Findings = append(v.Findings, disk.Warningf(code, at, format, args...))
}

// Doubt is a finding that a change of the size must not pass over in silence.
type Doubt struct {
	disk.Finding
	Then string // what a change does about it, which its owner has to accept; "" if he only has to know
}

// doubt warns of something that a change of the size must not pass over.
func (v *Volume) doubt(code disk.Code, at disk.Sector, then, format string, args ...any) {
	d := Doubt{disk.Warningf(code, at, format, args...), then}
	v.Findings, v.Doubts = append(v.Findings, d.Finding), append(v.Doubts, d)
}

// Source returns what the volume was read from.
func (v *Volume) Source() image.Source { return v.src }

// ClusterBytes returns the size of a cluster in bytes.
func (v *Volume) ClusterBytes() int64 {
	return int64(v.BPB.SectorsPerCluster) * int64(v.BPB.BytesPerSector)
}

// Cluster returns the sectors of cluster n, which is 2 or more.
func (v *Volume) Cluster(n uint32) disk.Span {
	return disk.Span{Start: v.Data + disk.Sector(n-2)*v.ClusterSectors, Count: v.ClusterSectors}
}

// ClusterAt returns the cluster that sector s belongs to, and whether there is one.
func (v *Volume) ClusterAt(s disk.Sector) (uint32, bool) {
	if s < v.Data || s >= v.Data+disk.Sector(v.DataClusters)*v.ClusterSectors {
		return 0, false
	}
	return uint32((s-v.Data)/v.ClusterSectors) + 2, true
}

// ReservedSpan returns the sectors before the first table, boot sector included.
func (v *Volume) ReservedSpan() disk.Span {
	return disk.Span{Count: disk.Sector(v.BPB.Reserved) * v.PerSector}
}

// TableSpan returns the sectors of one table, counted from 0.
func (v *Volume) TableSpan(i int) disk.Span {
	n := disk.Sector(v.BPB.SectorsPerFAT()) * v.PerSector
	return disk.Span{Start: disk.Sector(v.BPB.Reserved)*v.PerSector + disk.Sector(i)*n, Count: n}
}

// RootSpan returns the sectors of the fixed root directory. On FAT32 it is
// empty: the root is the chain that begins at BPB.RootCluster.
func (v *Volume) RootSpan() disk.Span {
	n := disk.Sector(v.BPB.rootSectors()) * v.PerSector
	return disk.Span{Start: v.Data - n, Count: n}
}

// ID returns the volume's serial number as it is usually written, or "".
func (v *Volume) ID() string {
	if v.BPB.Signature != 0x28 && v.BPB.Signature != 0x29 {
		return ""
	}
	return fmt.Sprintf("%04X-%04X", v.BPB.VolumeID>>16, v.BPB.VolumeID&0xFFFF)
}

// bootLabel returns the label in the boot sector, or "". The one that systems
// show is an entry of the root directory: see Label.
func (v *Volume) bootLabel() string { return labelText(v.BPB.Label[:]) }

func labelText(b []byte) string {
	if len(b) == 0 || b[0] == 0 {
		return ""
	}
	s := strings.TrimRight(decodeOEM(nil, b), " ")
	if s == "NO NAME" { // FG: "the setting when there is no volume label"
		return ""
	}
	return cleanName(s)
}

// Label returns the label from the start of the root directory: all of a
// fixed one, the first cluster of a chained one. Without one there, or if it
// cannot be read, it returns the label of the boot sector.
func (v *Volume) Label() string {
	where := v.RootSpan()
	if v.Kind == FAT32 {
		where = v.Cluster(v.BPB.RootCluster)
	}
	s, err := image.ReadSectors(v.src, where)
	if err != nil {
		return v.bootLabel()
	}
	if e, _ := LabelEntry(s); e != nil {
		return labelText(e[:11])
	}
	return v.bootLabel()
}

// LabelEntry returns the entry of the label among the entries of a root directory,
// or nothing, and whether the directory goes on behind them.
func LabelEntry(b []byte) (label []byte, goesOn bool) {
	for ; len(b) >= EntrySize; b = b[EntrySize:] {
		switch a := Attr(b[11]); {
		case b[0] == EndMark:
			return nil, false
		case b[0] != FreeMark && !a.Long() && a&AttrLabel != 0:
			return b[:EntrySize], false
		}
	}
	return nil, true
}

// Layout returns the volume as the survey of a disk lists it. base is the
// disk sector where the volume begins, index the number of its entry.
func (v *Volume) Layout(base disk.Sector, index int) layout.Volume {
	var m disk.Spans
	for _, s := range v.bootSectors() {
		m = m.Union(disk.Spans{{Start: base + s, Count: v.PerSector}})
	}
	return layout.Volume{
		Span:         disk.Span{Start: base, Count: v.Sectors},
		Index:        index,
		Kind:         v.Kind.String(),
		Label:        v.Label(),
		ID:           v.ID(),
		ClusterBytes: v.ClusterBytes(),
		UsedBytes:    -1,
		Sized:        true,
		Meaning:      m,
		Listed:       true,
		Parts:        v.parts(base),
		Geometry:     layout.Geometry{Heads: int(v.BPB.Heads), Sectors: int(v.BPB.SectorsPerTrack)},
	}
}

// bootSectors lists the first sectors of what Read looks at.
func (v *Volume) bootSectors() []disk.Sector {
	out := []disk.Sector{0}
	if v.Kind == FAT32 {
		for _, n := range []uint16{v.BPB.FSInfoSector, v.BPB.BackupSector} {
			if n != 0 && int(n) < v.BPB.Reserved {
				out = append(out, disk.Sector(n)*v.PerSector)
			}
		}
	}
	return out
}
