package fat

import (
	"bootgraft/image"
	"bootgraft/image/disk"
)

// judge adds the findings that follow from the boot sector alone.
func (v *Volume) judge(entries int64) {
	b := &v.BPB
	v.judgeKind()
	if int64(v.DataClusters) > entries-2 {
		v.warn(disk.FATTableTooSmall, v.TableSpan(0).Start,
			"the volume has room for %s, but its tables of %s have entries for %s only; "+
				"the clusters beyond cannot be used, and some systems refuse the volume",
			disk.Counted(v.DataClusters, "cluster"), disk.Counted(b.SectorsPerFAT(), "sector"), disk.Grouped(max(0, entries-2)))
	}
	if have := image.Sectors(v.src); v.Sectors > have {
		v.doubt(disk.FATCutOff, have, "what lay behind is lost",
			"the volume says that it has %s, and only %s are here; what lies beyond is lost to every reader",
			sectorsText(v.Sectors), disk.Grouped(have))
	}
	if v.PerSector > 1 {
		v.note(disk.FATSectorSizeDiffers, v.BootSector, "the volume counts in sectors of %s bytes, the disk in sectors of "+
			"%s; all numbers here are in the disk's",
			disk.Grouped(b.BytesPerSector), disk.Grouped(v.src.SectorSize()))
	}
	// FG, BPB_SecPerClus: no cluster is larger than 32 KiB.
	if v.ClusterBytes() > 32<<10 {
		v.note(disk.FATClusterLarge, v.BootSector,
			"clusters of %s bytes: more than the 32,768 of the published format; not every device reads them",
			disk.Grouped(v.ClusterBytes()))
	}
	v.judgeFields()
	if v.Active >= b.FATs {
		v.doubt(disk.FATActiveTableInvalid, v.BootSector, "nobody can say which table systems read",
			"table %d is marked as the active one (byte 40), but there are %d; the first is read", v.Active, b.FATs)
		v.Active = 0
	}
	if !v.Mirrored {
		v.note(disk.FATOneActiveTable, v.TableSpan(v.Active).Start, "changes go to table %d alone; the others may be old",
			v.Active)
	}
}

// judgeFields notes fields of the boot sector that contradict each other or are odd.
func (v *Volume) judgeFields() {
	b := &v.BPB
	if b.TotalSectors16 != 0 && b.TotalSectors32 != 0 && int64(b.TotalSectors16) != int64(b.TotalSectors32) {
		v.warn(disk.FATSizesDiffer, v.BootSector,
			"the boot sector states two sizes: %s (byte 19), which counts, and %s (byte 32)",
			disk.Counted(int64(b.TotalSectors16), "sector"), disk.Grouped(int64(b.TotalSectors32)))
	}
	if v.Kind == FAT32 && b.RootEntries != 0 {
		v.note(disk.FATRootEntriesOdd, v.BootSector,
			"a FAT32 volume with room for a fixed root directory (byte 17: %s), which nobody uses",
			disk.Grouped(int64(b.RootEntries)))
	}
	if !b.Marked {
		v.note(disk.FATNo55AA, v.BootSector, "bytes 510 and 511 of the boot sector are not 55 AA; some systems do not "+
			"recognise the volume")
	}
	if b.State&3 != 0 && v.Kind != FAT12 {
		noteDirty(&v.Findings, &v.Doubts, v.BootSector, b.State&1 != 0, b.State&2 != 0)
	}
}

// judgeKind names the sizes at which systems disagree about the type.
func (v *Volume) judgeKind() {
	n := v.DataClusters
	switch {
	case v.Kind == FAT32 && n < MinFAT32:
		v.warn(disk.FATTypeDisagrees, v.BootSector,
			"it has the form of FAT32, but %s, which the published rule calls FAT%d; drivers go by the form, "+
				"some devices by the rule",
			disk.Counted(n, "cluster"), map[bool]int{true: 12, false: 16}[n < MinFAT16])
	// Linux and Windows draw the line in different places; mkfs.fat (dosfstools) makes
	// no volume with these two counts. See also nearLimit.
	case n == 4085 || n == 4086:
		v.doubt(disk.FATTypeBoundary, v.BootSector, "a system that takes it for FAT12 reads other clusters",
			"%s: FAT16 by the published rule, but read as FAT12 by some drivers; a change on such a system "+
				"destroys files", disk.Counted(n, "cluster"))
	case near(n, MinFAT16) || near(n, MinFAT32):
		v.note(disk.FATTypeBoundary, v.BootSector, "%s lie within 16 of a limit between FAT types, where some "+
			"drivers miscount", disk.Counted(n, "cluster"))
	}
}

// near: FG, "FAT Volume Initialization", asks formatters to stay 16 away.
func near(n, limit uint32) bool { return n+nearLimit >= limit && n <= limit+nearLimit }

// noteDirty notes the state flags at a sector, of the boot sector or of a table.
func noteDirty(found *[]disk.Finding, doubts *[]Doubt, at disk.Sector, dirty, errs bool) {
	if dirty {
		d := Doubt{disk.Warningf(disk.FATDirty, at,
			"the volume was not closed properly: its last changes may be incomplete"),
			"let the system that it belongs to check it first"}
		*found, *doubts = append(*found, d.Finding), append(*doubts, d)
	}
	if errs {
		*found = append(*found, disk.Warningf(disk.FATIOErrorsNoted, at,
			"a system that used the volume noted read or write errors on it"))
	}
}

// CheckPlace compares the volume with the entry that holds it: base is the
// disk sector where the entry begins, length its sectors. They are not taken
// from the source, because the disk may end before the entry does.
//
// FG, end of "Boot Sector and BPB Structure": a volume smaller than its
// partition is nothing wrong at all, a larger one is seriously damaged.
func (v *Volume) CheckPlace(base, length disk.Sector) []disk.Finding {
	var out []disk.Finding
	if v.Sectors > length {
		out = append(out, disk.Refusalf(disk.FATLargerThanPartition, base,
			"the volume says that it has %s and its entry has %s: "+
				"a system that believes the volume writes over what "+
				"follows the entry", sectorsText(v.Sectors), disk.Grouped(length)))
	}
	if want := base / v.PerSector; int64(v.BPB.Hidden) != int64(want) {
		out = append(out, disk.Notef(disk.HiddenSectorsDiffer, base,
			"the boot sector gives the number of sectors before the volume as %s (byte 28), and it begins at sector %s; "+
				"boot code may use that number, other systems ignore it",
			disk.Grouped(int64(v.BPB.Hidden)), disk.Grouped(want)))
	}
	return out
}

// FSInfo is the second sector of a FAT32 volume: hints that may be wrong.
// FG, "FAT32 FSInfo Sector Structure and Backup Boot Sector".
type FSInfo struct {
	Sector disk.Sector
	Free   uint32 // free clusters, or Unset
	Next   uint32 // where to look for a free cluster, or Unset
}

// Unset in a field of FSInfo means that it says nothing.
const Unset = 0xFFFFFFFF

// The three signatures of FSInfo, at bytes 0, 484 and 508.
const (
	fsInfoLead  = 0x41615252
	fsInfoMid   = 0x61417272
	fsInfoTrail = 0xAA550000
)

func (v *Volume) readFSInfo() {
	n := v.BPB.FSInfoSector
	if n == 0 || n == 0xFFFF || int(n) >= v.BPB.Reserved {
		v.warn(disk.FSInfoMissing, v.BootSector,
			"the boot sector names no FSInfo sector among the reserved ones (byte 48: %d); "+
				"systems count free clusters themselves",
			n)
		return
	}
	at := disk.Sector(n) * v.PerSector
	s, err := image.ReadSector(v.src, at)
	if err != nil {
		v.warn(disk.FSInfoMissing, at, "the FSInfo sector cannot be read: %v", err)
		return
	}
	if !IsFSInfo(s) {
		v.warn(disk.FSInfoMissing, at, "the FSInfo sector has not its signatures; systems count free clusters themselves")
		return
	}
	free, next := FSInfoHints(s)
	v.FSInfo = &FSInfo{Sector: at, Free: free, Next: next}
}

// compareBackup compares the boot sector in use with the other one. The state
// byte is left out: drivers change it in sector 0 alone.
func (v *Volume) compareBackup(boot []byte) {
	n := v.BPB.BackupSector
	if n == 0 || v.BootSector != 0 {
		return
	}
	at := disk.Sector(n) * v.PerSector
	if int(n) >= v.BPB.Reserved {
		v.doubt(disk.BootBackupDiffers, at, "", "the backup boot sector (byte 50: %d) does not lie among the %s", n,
			disk.Counted(v.BPB.Reserved, "reserved sector"))
		return
	}
	s, err := image.ReadSector(v.src, at)
	if err != nil {
		v.doubt(disk.BootBackupDiffers, at, "", "the backup boot sector cannot be read: %v", err)
		return
	}
	first, count := -1, 0
	for i := range 512 {
		if i != 65 && s[i] != boot[i] {
			if count++; first < 0 {
				first = i
			}
		}
	}
	if count > 0 {
		v.doubt(disk.BootBackupDiffers, at, "",
			"the backup boot sector differs from sector 0 in %s, first in byte %d; sector 0 counts",
			disk.Counted(count, "byte"), first)
	}
}
