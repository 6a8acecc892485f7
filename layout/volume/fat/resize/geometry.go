package resize

import (
	"math"

	"bootgraft/image/disk"
	"bootgraft/layout/volume/fat"
)

// geometry is how a volume is divided, in its own sectors.
type geometry struct {
	kind     fat.Kind
	bytes    int64 // of a sector
	cluster  int64 // sectors
	reserved int64
	fats     int64
	table    int64 // sectors of one table
	root     int64 // of the fixed root directory
	total    int64
	clusters uint32 // those with a table entry
}

func geometryOf(v *fat.Volume, t *fat.Table) geometry {
	b := &v.BPB
	return geometry{
		kind: v.Kind, bytes: int64(b.BytesPerSector), cluster: int64(b.SectorsPerCluster),
		reserved: int64(b.Reserved), fats: int64(b.FATs), table: b.SectorsPerFAT(), root: b.RootSectors(),
		total: b.TotalSectors(), clusters: t.Clusters,
	}
}

// data returns the first sector of cluster 2.
func (g *geometry) data() int64 { return g.reserved + g.fats*g.table + g.root }

// capacity returns how many clusters the tables have entries for.
func (g *geometry) capacity() int64 { return g.table*g.bytes*8/int64(g.kind) - 2 }

// count returns how many clusters there is room and an entry for.
func (g *geometry) count() int64 {
	return min(max(0, g.total-g.data())/g.cluster, g.capacity())
}

// sized returns the geometry with another size, tables and all else as it is.
func (g geometry) sized(total int64) geometry {
	g.total = total
	g.clusters = uint32(g.count())
	return g
}

// sizeFor returns the smallest size with n clusters.
func (g *geometry) sizeFor(n int64) int64 { return g.data() + n*g.cluster }

// limits returns the least and the largest number of clusters that leave the
// volume what it is to every system. FG (Microsoft FAT: General Overview of
// On-Disk Format v1.03), "FAT Type Determination": 4,085 and 65,525 part the
// types; "FAT Volume Initialization" asks to stay 16 away from both, because much
// code counts wrong there. That advice is the reason: a program that fails on
// 65,524 clusters and a piece of one, as mtools was said to, was looked for and
// not found (mdir of mtools and fsck.fat of dosfstools read such a volume). A volume that lies nearer already comes no
// nearer; one in the form of FAT32 with fewer clusters stays on its side.
func limits(k fat.Kind, now uint32) (low, high int64) {
	n := int64(now)
	switch {
	case n < fat.MinFAT16:
		low, high = 1, fat.MinFAT16-fat.NearLimit-1
	case n < fat.MinFAT32:
		low, high = fat.MinFAT16+fat.NearLimit+1, fat.MinFAT32-fat.NearLimit-1
	default:
		low, high = fat.MinFAT32+fat.NearLimit+1, fat.MaxFAT32
	}
	return min(low, n), max(high, n)
}

// maxTotal is the largest size that a boot sector can state.
const maxTotal = math.MaxUint32

// grown returns the geometry for a larger size: tables as long as they must
// be, never shorter than they are, and cluster 2 on a multiple of align if
// that is not 0. It has no fewer clusters than now and no more than its type
// can have, or ok is false.
func (g geometry) grown(total, base, align int64) (geometry, bool) {
	need, _ := fat.TableSectors(g.kind, total, g.reserved+g.root, int(g.fats), int(g.cluster), int(g.bytes))
	out := g
	out.table = max(g.table, need)
	if !out.align(base, align) || out.table > math.MaxUint16 && g.kind != fat.FAT32 {
		return g, false
	}
	out = out.sized(total)
	_, high := limits(g.kind, g.clusters)
	return out, out.clusters >= g.clusters && int64(out.clusters) <= high
}

// align makes more sectors reserved, so that cluster 2 lies on a multiple of
// align sectors when the volume begins at sector base.
func (g *geometry) align(base, align int64) bool {
	if align > 1 {
		if over := (base + g.data()) % align; over != 0 {
			g.reserved += align - over
		}
	}
	return g.reserved <= math.MaxUint16
}

// spans are the parts of a volume in sectors of the source.
type spans struct {
	reserved disk.Span
	tables   []disk.Span
	root     disk.Span
	data     disk.Sector // first sector of cluster 2
	cluster  disk.Sector
	total    disk.Sector
}

func (g *geometry) spans(per disk.Sector) spans {
	s := spans{reserved: disk.Span{Count: disk.Sector(g.reserved) * per}, cluster: disk.Sector(g.cluster) * per, total: disk.Sector(g.total) * per}
	at := s.reserved.End()
	for range g.fats {
		t := disk.Span{Start: at, Count: disk.Sector(g.table) * per}
		s.tables = append(s.tables, t)
		at = t.End()
	}
	s.root = disk.Span{Start: at, Count: disk.Sector(g.root) * per}
	s.data = s.root.End()
	return s
}

// clusters returns the sectors of count clusters from first on.
func (s *spans) clusters(first, count uint32) disk.Span {
	return disk.Span{Start: s.data + disk.Sector(first-2)*s.cluster, Count: disk.Sector(count) * s.cluster}
}
