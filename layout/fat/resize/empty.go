package resize

import (
	"bootgraft/layout/fat"
)

// empty takes the table of the emptied volume for what is there: the root
// directory of FAT32, and the bad marks if they stay.
func (j *job) empty() {
	k := j.t.Kind
	j.entries = make([]uint32, len(j.t.Entries))
	copy(j.entries, j.t.Entries[:min(2, len(j.entries))])
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
