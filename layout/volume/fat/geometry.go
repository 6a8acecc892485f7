package fat

import (
	"math"

	"bootgraft/image/disk"
)

// Geometry is how a volume is divided, in its own sectors.
type Geometry struct {
	Kind     Kind
	Bytes    int64 // of a sector
	Cluster  int64 // sectors
	Reserved int64
	FATs     int64
	Table    int64 // sectors of one table
	Root     int64 // of the fixed root directory
	Total    int64
	Clusters uint32 // those with a table entry
}

// Geometry returns how the volume is divided, with the clusters that a table has
// entries for.
func (v *Volume) Geometry(t *Table) Geometry {
	b := &v.BPB
	return Geometry{
		Kind: v.Kind, Bytes: int64(b.BytesPerSector), Cluster: int64(b.SectorsPerCluster),
		Reserved: int64(b.Reserved), FATs: int64(b.FATs), Table: b.SectorsPerFAT(), Root: b.rootSectors(),
		Total: b.TotalSectors(), Clusters: t.Clusters,
	}
}

// Data returns the first sector of cluster 2.
func (g *Geometry) Data() int64 { return g.Reserved + g.FATs*g.Table + g.Root }

// Capacity returns how many clusters the tables have entries for.
func (g *Geometry) Capacity() int64 { return g.Table*g.Bytes*8/int64(g.Kind) - 2 }

// count returns how many clusters there is room and an entry for.
func (g *Geometry) count() int64 {
	return min(max(0, g.Total-g.Data())/g.Cluster, g.Capacity())
}

// Sized returns the geometry with another size, tables and all else as it is.
func (g Geometry) Sized(total int64) Geometry {
	g.Total = total
	g.Clusters = uint32(g.count())
	return g
}

// SizeFor returns the smallest size with n clusters.
func (g *Geometry) SizeFor(n int64) int64 { return g.Data() + n*g.Cluster }

// ClusterLimits returns the least and the largest number of clusters that leave the
// volume what it is to every system. FG (Microsoft FAT: General Overview of
// On-Disk Format v1.03), "FAT Type Determination": 4,085 and 65,525 part the
// types; "FAT Volume Initialization" asks to stay 16 away from both, because much
// code counts wrong there. That advice is the reason: a program that fails on
// 65,524 clusters and a piece of one, as mtools was said to, was looked for and
// not found (mdir of mtools and fsck.fat of dosfstools read such a volume). A volume that lies nearer already comes no
// nearer; one in the form of FAT32 with fewer clusters stays on its side.
func ClusterLimits(k Kind, now uint32) (low, high int64) {
	n := int64(now)
	switch {
	case n < MinFAT16:
		low, high = 1, MinFAT16-nearLimit-1
	case n < MinFAT32:
		low, high = MinFAT16+nearLimit+1, MinFAT32-nearLimit-1
	default:
		low, high = MinFAT32+nearLimit+1, MaxFAT32
	}
	return min(low, n), max(high, n)
}

// MaxTotal is the largest size that a boot sector can state.
const MaxTotal = math.MaxUint32

// Grown returns the geometry for a larger size: tables as long as they must
// be, never shorter than they are, and cluster 2 on a multiple of align if
// that is not 0. It has no fewer clusters than now and no more than its type
// can have, or ok is false.
func (g Geometry) Grown(total, base, align int64) (Geometry, bool) {
	need, _ := TableSectors(g.Kind, total, g.Reserved+g.Root, int(g.FATs), int(g.Cluster), int(g.Bytes))
	out := g
	out.Table = max(g.Table, need)
	if !out.Align(base, align) || out.Table > math.MaxUint16 && g.Kind != FAT32 {
		return g, false
	}
	out = out.Sized(total)
	_, high := ClusterLimits(g.Kind, g.Clusters)
	return out, out.Clusters >= g.Clusters && int64(out.Clusters) <= high
}

// Align makes more sectors reserved, so that cluster 2 lies on a multiple of
// Align sectors when the volume begins at sector base.
func (g *Geometry) Align(base, align int64) bool {
	if align > 1 {
		if over := (base + g.Data()) % align; over != 0 {
			g.Reserved += align - over
		}
	}
	return g.Reserved <= math.MaxUint16
}

// Parts are the parts of a volume in sectors of the source.
type Parts struct {
	Reserved disk.Span
	Tables   []disk.Span
	Root     disk.Span
	Data     disk.Sector // first sector of cluster 2
	Cluster  disk.Sector
	Total    disk.Sector
}

func (g *Geometry) Parts(per disk.Sector) Parts {
	s := Parts{Reserved: disk.Span{Count: disk.Sector(g.Reserved) * per}, Cluster: disk.Sector(g.Cluster) * per,
		Total: disk.Sector(g.Total) * per}
	at := s.Reserved.End()
	for range g.FATs {
		t := disk.Span{Start: at, Count: disk.Sector(g.Table) * per}
		s.Tables = append(s.Tables, t)
		at = t.End()
	}
	s.Root = disk.Span{Start: at, Count: disk.Sector(g.Root) * per}
	s.Data = s.Root.End()
	return s
}

// Clusters returns the sectors of count clusters from first on.
func (s *Parts) Clusters(first, count uint32) disk.Span {
	return disk.Span{Start: s.Data + disk.Sector(first-2)*s.Cluster, Count: disk.Sector(count) * s.Cluster}
}

// InPlace returns the largest size with no more clusters than the tables have
// entries for, and than the type allows.
func (g *Geometry) InPlace(high int64) int64 {
	return max(g.Total, g.SizeFor(min(g.Capacity(), high)+1)-1)
}

// Largest returns the largest size with at most high clusters.
func (g Geometry) Largest(high, base, align int64) int64 {
	bits := (high + 2) * int64(g.Kind)
	g.Table = max(g.Table, (bits+g.Bytes*8-1)/(g.Bytes*8))
	if g.Kind != FAT32 {
		g.Table = min(g.Table, 65535)
	}
	g.Align(base, align)
	return g.SizeFor(high+1) - 1
}
