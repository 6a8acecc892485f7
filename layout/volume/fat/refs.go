package fat

import (
	"cmp"
	"slices"
)

// RefKind says what kind of thing names a cluster.
type RefKind uint8

// The kinds of reference.
const (
	RefEntry  RefKind = iota + 1 // the directory entry of a file or directory
	RefSelf                      // the entry . of a directory
	RefParent                    // the entry .. of a directory
	RefTable                     // the table entry of the cluster before it
	RefRoot                      // the boot sector: the root directory
)

// Ref is one reference to a cluster.
type Ref struct {
	Cluster uint32 // what is named
	Kind    RefKind
	Place   Slot   // RefEntry, RefSelf, RefParent: the directory entry
	From    uint32 // RefTable: the cluster whose table entry it is
}

// References knows everything on a volume that names a cluster by its number.
type References struct {
	Entries []Ref // RefEntry, RefSelf and RefParent, by cluster
	v       *Volume
	before  []uint32
}

// References walks the volume and gathers them: 4 bytes a cluster and 32 for
// each directory entry. Where chains are crossed, one of the clusters before
// is known, not each: Check says whether that is so.
func (v *Volume) References(t *Table) *References {
	r := &References{v: v, before: make([]uint32, t.Clusters+2)}
	for c := uint32(2); c <= t.Clusters+1; c++ {
		if next, link := t.At(c); link == Next {
			r.before[next] = c
		}
	}
	v.Visit(t, Visitor{
		Dot: func(raw *Raw, at Slot) {
			kind := RefSelf
			if raw[1] == '.' {
				kind = RefParent
			}
			r.add(raw.Cluster(v.Kind), kind, at)
		},
		File: func(f *File) { r.add(f.First, RefEntry, f.Place) },
	})
	slices.SortStableFunc(r.Entries, func(a, b Ref) int { return cmp.Compare(a.Cluster, b.Cluster) })
	return r
}

func (r *References) add(c uint32, k RefKind, at Slot) {
	if c != 0 {
		r.Entries = append(r.Entries, Ref{Cluster: c, Kind: k, Place: at})
	}
}

// To returns all that names cluster c.
func (r *References) To(c uint32) []Ref {
	i, _ := slices.BinarySearchFunc(r.Entries, c, func(e Ref, c uint32) int { return cmp.Compare(e.Cluster, c) })
	var out []Ref
	for ; i < len(r.Entries) && r.Entries[i].Cluster == c; i++ {
		out = append(out, r.Entries[i])
	}
	if int64(c) < int64(len(r.before)) && r.before[c] != 0 {
		out = append(out, Ref{Cluster: c, Kind: RefTable, From: r.before[c]})
	}
	if r.v.Kind == FAT32 && c == r.v.BPB.RootCluster {
		out = append(out, Ref{Cluster: c, Kind: RefRoot})
	}
	return out
}
