package fat

import (
	"bytes"

	"bootgraft/image"
	"bootgraft/layout"
)

// CompareTables compares each allocation table with the active one, as far as
// they hold entries of clusters: what lies behind has no meaning (FG, "FAT
// Data Structure"). Where only one table is active nothing is compared.
func (v *Volume) CompareTables() []layout.Finding {
	if !v.Mirrored {
		return nil
	}
	var out []layout.Finding
	for i := range v.BPB.FATs {
		if i == v.Active {
			continue
		}
		d := v.compareTable(i)
		if n := d.Sectors(); n > 0 {
			out = append(out, layout.Warningf("fat-copies-differ", d[0].Start, "allocation table %d differs from table %d in %d sectors, first in sector %d; "+
				"table %d counts, but some systems read another", i, v.Active, n, d[0].Start, v.Active))
		}
	}
	return out
}

// compareTable returns the sectors of table i that differ from the active
// one. Sectors that cannot be read in both are left out.
func (v *Volume) compareTable(i int) layout.Spans {
	size := int64(v.src.SectorSize())
	ours, theirs := v.TableSpan(v.Active), v.TableSpan(i)
	left := min(int64(ours.Count)*size, v.Kind.tableBytes(int64(v.Clusters)))
	var differ layout.Spans
	for at := layout.Sector(0); left > 0; at += chunk / layout.Sector(size) {
		n := min(left, chunk)
		left -= n
		a, b := make([]byte, n), make([]byte, n)
		if v.readAt(a, ours.Start+at) && v.readAt(b, theirs.Start+at) && bytes.Equal(a, b) {
			continue
		}
		for off := int64(0); off < n; off += size {
			x := at + layout.Sector(off/size)
			a, b := a[off:min(off+size, n)], b[off:min(off+size, n)]
			if v.readAt(a, ours.Start+x) && v.readAt(b, theirs.Start+x) && !v.sameEntries(a, b, left == 0 && off+size >= n) {
				differ = differ.Add(layout.Span{Start: theirs.Start + x, Count: 1})
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

func (v *Volume) readAt(b []byte, at layout.Sector) bool {
	return image.ReadFull(v.src, b, int64(at)*int64(v.src.SectorSize())) == nil
}
