package fat

import (
	"bytes"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// CompareTables compares each allocation table with the active one, as far as
// they hold entries of clusters: what lies behind has no meaning (FG, "FAT
// Data Structure"). Where only one table is active nothing is compared.
func (v *Volume) CompareTables() []disk.Finding {
	if !v.Mirrored {
		return nil
	}
	var out []disk.Finding
	for i := range v.BPB.FATs {
		if i == v.Active {
			continue
		}
		d := v.compareTable(i)
		if n := d.Sectors(); n > 0 {
			out = append(out, disk.Warningf(disk.FATCopiesDiffer, d[0].Start,
				"allocation table %d differs from table %d in %d sectors, first in sector %d; "+
					"table %d counts, but some systems read another", i, v.Active, n, d[0].Start, v.Active))
		}
	}
	return out
}

// compareTable returns the sectors of table i that differ from the active
// one. Sectors that cannot be read in both are left out.
func (v *Volume) compareTable(i int) disk.Spans {
	size := int64(v.src.SectorSize())
	whole := image.Whole(v.src)
	ours, theirs := v.TableSpan(v.Active).Common(whole), v.TableSpan(i).Common(whole)
	entries := v.Kind.tableBytes(int64(v.Clusters))
	left := min(int64(min(ours.Count, theirs.Count))*size, entries)
	var differ disk.Spans
	a, b := make([]byte, min(left, chunk)), make([]byte, min(left, chunk))
	for at := int64(0); at < left; at += chunk {
		n := min(left-at, chunk)
		ours, theirs := ours.Start+disk.Sector(at/size), theirs.Start+disk.Sector(at/size)
		if v.readAt(a[:n], ours) && v.readAt(b[:n], theirs) && bytes.Equal(a[:n], b[:n]) {
			continue
		}
		for off := int64(0); off < n; off += size {
			x, end := disk.Sector(off/size), min(off+size, n)
			a, b := a[off:end], b[off:end]
			if v.readAt(a, ours+x) && v.readAt(b, theirs+x) && !v.sameEntries(a, b, at+end == entries) {
				differ = differ.Add(disk.Span{Start: theirs + x, Count: 1})
			}
		}
	}
	return differ
}

// sameEntries compares a sector's worth of table. Of the last byte of a FAT12
// table with an odd number of entries only half belongs to one.
func (v *Volume) sameEntries(a, b []byte, last bool) bool {
	n := len(a)
	if last && v.Kind == FAT12 && v.Clusters%2 == 1 {
		n--
		if (a[n]^b[n])&0x0F != 0 {
			return false
		}
	}
	return bytes.Equal(a[:n], b[:n])
}

func (v *Volume) readAt(b []byte, at disk.Sector) bool {
	return image.ReadFull(v.src, b, int64(at)*int64(v.src.SectorSize())) == nil
}
