package resize

import (
	"cmp"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume/fat"
)

// bootPatch is a reserved sector made new.
type bootPatch struct {
	at   disk.Sector
	data []byte
	rank layout.Rank
}

// bootPlace is a reserved sector that names sizes or clusters.
type bootPlace struct {
	at   disk.Sector
	info bool // FSInfo, else a boot sector
	rank layout.Rank
}

// bootPlaces lists them in order: the boot sector, FSInfo, and on FAT32 the
// copies of both (FG, "FAT32 FSInfo Sector Structure and Backup Boot Sector").
func (j *job) bootPlaces() []bootPlace {
	out := []bootPlace{{at: 0, rank: layout.RankFirst}}
	b, per := &j.v.BPB, j.v.PerSector
	if j.v.Kind != fat.FAT32 {
		return out
	}
	info, backup := int(b.FSInfoSector), int(b.BackupSector)
	add := func(n int, p bootPlace) {
		if p.at = disk.Sector(n) * per; n < b.Reserved && p.at < j.whole() {
			out = append(out, p)
		}
	}
	if info > 0 {
		add(info, bootPlace{info: true, rank: layout.RankFirst})
	}
	if backup > 0 && backup != info {
		add(backup, bootPlace{rank: layout.RankCopy})
	}
	if info > 0 && backup > info {
		add(backup+info, bootPlace{info: true, rank: layout.RankCopy})
	}
	slices.SortStableFunc(out, func(a, b bootPlace) int { return cmp.Compare(a.at, b.at) })
	return slices.CompactFunc(out, func(a, b bootPlace) bool { return a.at == b.at })
}

// renderBoot makes the boot sectors and FSInfo new where their fields change.
func (j *job) renderBoot() error {
	if !j.changes() {
		return nil
	}
	first, err := image.ReadSector(j.v.Source(), j.v.BootSector)
	if err != nil {
		return fmt.Errorf("reading the boot sector: %w", err)
	}
	if at := j.v.BootSector; at != 0 {
		j.note(disk.Warningf(disk.BootFromBackup, at, "sector 0 of the volume cannot be used; it is made from its backup "+
			"in sector %d", at))
	}
	for _, p := range j.bootPlaces() {
		b, err := image.ReadSector(j.v.Source(), p.at)
		switch {
		case p.at == 0:
			// Whatever is in sector 0: if it cannot be used, first is the backup of it.
			b = append([]byte(nil), first...)
			j.setBoot(b)
		case err != nil:
			j.note(disk.Warningf(disk.BootCopyLeft, p.at, "sector %d of the volume cannot be read and is not made new: %v", p.at,
				err))
			continue
		case p.info && fat.IsFSInfo(b):
			j.setInfo(b)
		case !p.info && j.isCopy(b):
			j.setBoot(b)
		// A sector that somebody else uses is not overwritten because a field names it.
		case !p.info:
			j.note(disk.Warningf(disk.BootCopyLeft, p.at, "what should be the backup boot sector describes no such volume; it "+
				"is copied as it is"))
			continue
		default:
			continue
		}
		j.boot = append(j.boot, bootPatch{p.at, b, p.rank})
	}
	return nil
}

// isCopy tells whether a sector describes the volume as it is.
func (j *job) isCopy(s []byte) bool {
	b, v := fat.DecodeBPB(s), &j.v.BPB
	return b.BytesPerSector == v.BytesPerSector && b.SectorsPerCluster == v.SectorsPerCluster &&
		b.Reserved == v.Reserved &&
		b.FATs == v.FATs && b.SectorsPerFAT() == v.SectorsPerFAT() && b.TotalSectors() == v.TotalSectors()
}

func (j *job) setBoot(s []byte) {
	if j.new.Total != j.old.Total {
		fat.SetTotalSectors(s, uint32(j.new.Total))
	}
	if j.new.Table != j.old.Table {
		fat.SetSectorsPerFAT(s, uint32(j.new.Table))
	}
	if j.new.Reserved != j.old.Reserved {
		fat.SetReserved(s, uint16(j.new.Reserved))
	}
	if root := j.v.BPB.RootCluster; j.v.Kind == fat.FAT32 && j.newRoot() != root {
		fat.SetRootCluster(s, j.newRoot())
	}
	if j.w.Hidden != nil {
		fat.SetHidden(s, *j.w.Hidden)
	}
	if g := j.w.Geometry; g != nil {
		fat.SetGeometry(s, g.Heads, g.SectorsPerTrack)
	}
}

// newRoot returns where the root directory of FAT32 begins on the card.
func (j *job) newRoot() uint32 { return j.moves.to(j.v.BPB.RootCluster) }

// setInfo counts the free clusters anew, if FSInfo stated a number, and takes
// back a hint that names no cluster.
func (j *job) setInfo(s []byte) {
	free, next := fat.FSInfoHints(s)
	if free != fat.Unset {
		free = j.freeClusters()
	}
	if next > j.new.Clusters+1 || j.w.Empty {
		next = fat.Unset
	}
	fat.SetFSInfoHints(s, free, next)
}

// freeClusters returns how many clusters of the new volume are free.
func (j *job) freeClusters() uint32 {
	marked := uint32(0)
	for c := uint32(2); c <= min(j.old.Clusters, j.new.Clusters)+1; c++ {
		if j.bad(c) && !j.vacant(c) {
			marked++
		}
	}
	return j.new.Clusters - j.count.used - marked
}
