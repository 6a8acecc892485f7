package resize

import (
	"bootgraft/image/disk"
	"bootgraft/layout/volume/fat"
)

// empty takes the table of the emptied volume for what is there: the root
// directory of FAT32, and the bad marks if they stay. What is not known of the
// table was of no file that stays: it becomes free.
func (j *job) empty() {
	k := j.t.Kind
	j.entries = make([]uint32, len(j.t.Entries))
	copy(j.entries, j.t.Entries[:min(2, len(j.entries))])
	if u := j.t.Unknown; len(u) > 0 {
		if u[0].First == 0 {
			j.firstEntries()
		}
		j.note(disk.Notef(disk.FATTableMadeNew, j.from.Tables[j.v.Active].Start,
			"the allocation table is not known, or not all of it; as the volume becomes empty it is made new. "+
				"Bad clusters that it may have named belong to the old drive"))
	}
	for c := uint32(2); c <= j.t.Clusters+1; c++ {
		value := uint32(0)
		if _, link := j.t.At(c); link == fat.Bad {
			value = k.Bad()
		}
		j.entries[c] = k.Put(j.t.Entries[c], value)
	}
	if root := j.v.BPB.RootCluster; k == fat.FAT32 && root >= 2 && root <= j.t.Clusters+1 {
		j.entries[root] = k.Put(j.entries[root], k.End())
	}
}

// oldRoot returns the root directory: its fixed place, or its first cluster.
func (j *job) oldRoot() disk.Span {
	root := j.v.BPB.RootCluster
	if j.old.Kind != fat.FAT32 || root < 2 || root > j.old.Clusters+1 {
		return j.from.Root
	}
	return j.from.Clusters(root, 1)
}

// firstEntries makes the two entries that belong to no cluster (FG, "FAT Data
// Structure"): the first repeats the media byte, the second says that the volume
// is clean.
func (j *job) firstEntries() {
	mask := j.t.Kind.Mask()
	for i, e := range []uint32{mask&^0xFF | uint32(j.v.BPB.Media), mask} {
		if i < len(j.entries) {
			j.entries[i] = e
		}
	}
}
