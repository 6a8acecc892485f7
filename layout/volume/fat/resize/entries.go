package resize

import "bootgraft/layout/volume"

// filler puts the new entries into one table, from front to back.
type filler struct {
	*job
	counts bool   // its entries are those in force
	in     []move // still to come
}

// meaningEnds returns the byte of a table after the last that is looked at.
func (f *filler) meaningEnds() int64 {
	last := int64(max(f.old.Clusters, f.new.Clusters))
	if f.marks() {
		last = f.lastMark() - 1
	}
	return ((last+2)*int64(f.old.Kind) + 7) / 8
}

// marks tells whether entries behind the last cluster change.
func (j *job) marks() bool {
	return j.new.Clusters < j.old.Clusters && j.w.Slack != volume.SlackKeep
}

// lastMark is the last entry that a mark makes sense for: no higher number is
// that of a cluster.
func (j *job) lastMark() int64 {
	return min(j.new.Capacity()+1, int64(j.old.Kind.Bad())-1)
}

// fill puts new entries into b, which begins at byte off of the table.
func (f *filler) fill(b []byte, off int64) {
	k := f.old.Kind
	first := off * 8 / int64(k)
	end := first + int64(len(b))*8/int64(k)
	if f.counts {
		for c := first; f.w.Empty && c < 2; c++ { // as they were, or made new
			k.SetEntry(b, c-first, f.entries[c])
		}
		for c := max(2, first); c < min(end, int64(f.new.Clusters)+2); c++ {
			k.SetEntry(b, c-first, f.entry(uint32(c)))
		}
	}
	if !f.marks() {
		return
	}
	value := k.Bad()
	if f.w.Slack == volume.SlackZero {
		value = 0
	}
	for c := max(first, int64(f.new.Clusters)+2); c < min(end, f.lastMark()+1); c++ {
		k.SetEntry(b, c-first, k.Put(k.Entry(b, c-first), value))
	}
}

// entry returns the new entry of cluster c. Its reserved bits stay: they
// belong to the place, not to the chain.
func (f *filler) entry(c uint32) uint32 {
	if c > f.old.Clusters+1 {
		return 0
	}
	for len(f.in) > 0 && c >= f.in[0].to+f.in[0].count {
		f.in = f.in[1:]
	}
	k, from := f.old.Kind, c
	switch {
	case len(f.in) > 0 && c >= f.in[0].to:
		from = c - f.in[0].to + f.in[0].from
	case c-f.moves.vacated.First < f.moves.vacated.Count, f.bad(c) && f.vacant(c):
		return k.Put(f.entries[c], 0)
	}
	next := f.entries[from] & k.Mask()
	if next >= 2 && next <= f.old.Clusters+1 {
		next = f.moves.to(next)
	}
	return k.Put(f.entries[c], next)
}
