package second

import (
	"bytes"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/volume/fat"
)

// Limits of what the library is given. It keeps three copies of the table
// while it opens a volume, and reads a whole directory for every name that it
// looks up. maxVolume, maxEntries and maxDepth are by hand, no source.
const (
	maxTable     = 16 << 20 // bytes of one allocation table: 4,194,304 clusters on FAT32
	maxDirectory = 2 << 20  // bytes; 65,536 entries, the most that the published format allows
	maxVolume    = 1 << 41  // bytes
	maxEntries   = 10_000
	maxDepth     = 64
)

// bootBytes is what the library reads of a FAT32 volume at its start.
const bootBytes = 4096

// readable says why the library cannot read this form of FAT, or nil. Each
// case was seen to end in wrong names, a refusal, a panic or a hang.
func readable(v *fat.Volume) error {
	b := &v.BPB
	wide := v.Kind == fat.FAT32
	switch {
	case v.BootSector != 0:
		return refusef("the boot sector cannot be used, and it does not look for the backup")
	case b.FATs != 2:
		return refusef("it wants two allocation tables, the volume has %d", b.FATs)
	case !v.Mirrored || v.Active != 0:
		return refusef("only one of the allocation tables is active, and it does not know that")
	case b.SectorsPerFAT()*int64(b.BytesPerSector) > maxTable:
		return refusef("the allocation table is larger than %d bytes, which it keeps three times in memory", maxTable)
	case int64(v.Sectors)*int64(v.Source().SectorSize()) > maxVolume:
		return refusef("the volume is larger than %d bytes", int64(maxVolume))
	case b.Signature != 0x28 && b.Signature != 0x29:
		return refusef("the boot sector has no extended signature 28 or 29")
	case !b.Marked && v.Kind != fat.FAT16:
		return refusef("bytes 510 and 511 of the boot sector are not 55 AA")
	case b.TotalSectors16 != 0 && b.TotalSectors32 != 0 && uint32(b.TotalSectors16) != b.TotalSectors32:
		return refusef("the boot sector states two sizes, and it believes the other one")
	case wide && b.RootCluster != 2:
		return refusef("the root directory begins at cluster %d, and it takes cluster 2", b.RootCluster)
	case wide && b.RootEntries != 0:
		return refusef("there is room for a fixed root directory, which it overlooks")
	case wide && v.FSInfo == nil:
		return refusef("there is no valid FSInfo sector")
	}
	return nil
}

// tablesReadable looks at the allocation tables, of which t is the first.
func tablesReadable(v *fat.Volume, t *fat.Table) error {
	if err := known(v); err != nil {
		return err
	}
	if found := v.CompareTables(); len(found) > 0 {
		return refusef("the copies of the allocation table differ, first in sector %d of the volume", found[0].Sector)
	}
	if len(t.Unknown) > 0 || t.Clusters != v.Clusters {
		return refusef("parts of the allocation table are missing")
	}
	if v.Kind != fat.FAT32 {
		return nil
	}
	if t.Entries[1]&0x0C000000 != 0x0C000000 {
		return refusef("the volume is marked as not closed properly or as faulty, and it takes these flags of the " +
			"allocation table for its end mark")
	}
	for c, e := range t.Entries[2:] {
		if e>>28 != 0 {
			return refusef("the upper 4 bits of the table entry of cluster %d are set, and it takes them for a part "+
				"of the number", c+2)
		}
	}
	return sameTables(v)
}

// known refuses a volume of which the library would read sectors that the
// source does not know. Directories are looked at when they are read.
func known(v *fat.Volume) error {
	src := v.Source()
	n := src.SectorSize()
	needed := disk.Spans{{Count: disk.Sector((bootBytes + n - 1) / n)}, v.TableSpan(0), v.TableSpan(1)}
	if v.Kind == fat.FAT32 {
		needed = append(needed, disk.Span{Start: v.FSInfo.Sector, Count: 1})
	} else {
		needed[0].Count = v.PerSector
		needed = append(needed, v.RootSpan())
	}
	whole := image.Whole(src)
	for _, s := range needed {
		if s.End() > whole.End() {
			return refusef("the source ends before sector %d of the volume", s.Last())
		}
		if unknown := image.Unknown(src, s); len(unknown) > 0 {
			return refusef("sector %d of the volume is not known", unknown[0].Start)
		}
	}
	return nil
}

// sameTables compares both tables whole, as the library does on FAT32: also
// the entries behind the last cluster, which mean nothing.
func sameTables(v *fat.Volume) error {
	a, b := v.TableSpan(0), v.TableSpan(1)
	step := disk.Sector(1 << 20 / v.Source().SectorSize())
	for at := disk.Sector(0); at < a.Count; at += step {
		n := min(step, a.Count-at)
		first, err := image.ReadSectors(v.Source(), disk.Span{Start: a.Start + at, Count: n})
		if err != nil {
			return refusef("the allocation table cannot be read: %v", err)
		}
		second, err := image.ReadSectors(v.Source(), disk.Span{Start: b.Start + at, Count: n})
		if err != nil {
			return refusef("the second allocation table cannot be read: %v", err)
		}
		if !bytes.Equal(first, second) {
			return refusef("the copies of the allocation table differ, though only where no cluster has its entry")
		}
	}
	return nil
}

// sound refuses a volume in which our strict reader finds anything that could
// lead the library astray: loops, chains that end wrongly or too early,
// shared clusters, names that cannot be.
func sound(v *fat.Volume, t *fat.Table) error {
	h := v.Check(t)
	if !h.Sound() {
		for _, p := range h.Problems {
			if p.Unsafe {
				return refusef("the volume is damaged (%s): %s %s; it is asked about sound volumes only", p.Code, p.Path, p.Text)
			}
		}
		return refusef("the volume has %d faults; it is asked about sound volumes only", h.Total)
	}
	if len(h.Astray) > 0 {
		return refusef("%s: %s", h.Astray[0].Code, h.Astray[0].Text)
	}
	return nil
}
