package resize

import (
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// keptFile is a file that stays in a volume which becomes empty.
type keptFile struct {
	entry fat.Raw
	runs  []fat.Run
}

// name is what a person knows the file by.
func (f *keptFile) name() string {
	base, ext := strings.TrimRight(string(f.entry[:8]), " "), strings.TrimRight(string(f.entry[8:11]), " ")
	if ext == "" {
		return base
	}
	return base + "." + ext
}

// keepFiles puts the files that stay into the table of an emptied volume, and asks about
// those that cannot.
func (j *job) keepFiles() {
	room := j.oldRoot().Count * disk.Sector(j.size) / fat.EntrySize
	for i := range j.w.Kept {
		k := &j.w.Kept[i]
		f, why := j.kept(k)
		switch {
		case why == "" && disk.Sector(len(j.held)+1) >= room: // one is for the label
			why = "the root directory has no room for it"
		case why == "":
			j.chain(f.runs)
			j.held = append(j.held, *f)
			continue
		}
		at := disk.Sector(0)
		if len(k.Extents) > 0 {
			at = k.Extents[0].Start
		}
		j.ask(disk.Refusalf(disk.LinkedFileGone, at,
			"boot code names the place of a file that begins at sector %s of the volume, and %s. What starts through it "+
				"will not start, and whatever a loader opens there by its name is gone as well",
			disk.Grouped(at), why))
	}
}

// kept returns a file that stays, or why it cannot.
func (j *job) kept(k *volume.Kept) (f *keptFile, why string) {
	if len(k.Entry) != fat.EntrySize {
		return nil, "it is not there to be kept"
	}
	f = &keptFile{entry: fat.Raw(k.Entry)}
	var clusters int64
	for _, s := range k.Extents {
		c, ok := j.v.ClusterAt(s.Start)
		n := s.Count / j.from.Cluster
		if !ok || j.from.Clusters(c, uint32(n)) != s || n < 1 || n > disk.Sector(j.t.Clusters)+2-disk.Sector(c) {
			return nil, "its sectors are no clusters of the volume"
		}
		for x := c; x < c+uint32(n); x++ {
			if j.entries[x]&j.t.Kind.Mask() != 0 {
				return nil, "something else has clusters of it"
			}
		}
		clusters += int64(n)
		f.runs = append(f.runs, fat.Run{First: c, Count: uint32(n)})
	}
	if len(f.runs) == 0 || f.entry.Cluster(j.t.Kind) != f.runs[0].First ||
		f.entry.Size() > clusters*int64(j.from.Cluster)*j.size {
		return nil, "its directory entry does not fit its clusters"
	}
	for i, r := range f.runs {
		for _, o := range f.runs[:i] {
			if r.First < o.End() && o.First < r.End() {
				return nil, "it would have a cluster twice"
			}
		}
	}
	return f, ""
}

// chain gives clusters to a file.
func (j *job) chain(runs []fat.Run) {
	k := j.t.Kind
	var last uint32
	for _, r := range runs {
		for c := r.First; c < r.End(); c++ {
			if last != 0 {
				j.entries[last] = k.Put(j.entries[last], c)
			}
			last = c
		}
	}
	j.entries[last] = k.Put(j.entries[last], k.End())
}

// pinKept makes the places of the files that stay pinned.
func (j *job) pinKept() {
	for i := range j.held {
		f := &j.held[i]
		j.pin(f.runs, f.name(), disk.LoaderFileMoves, true, "boot code names its place")
	}
}

// rootEntries are the entries that an emptied root directory has: those of the files
// that stay, in front, where boot code that wants the first one looks, and the label.
func (e *emitter) rootEntries(from disk.Span) []byte {
	var b []byte
	for i := range e.held {
		f := &e.held[i]
		raw := f.entry
		raw.SetCluster(e.old.Kind, e.moves.to(f.runs[0].First))
		b = append(b, raw[:]...)
	}
	b = append(b, e.label(from)...)
	if over := int64(len(b)) % e.size; over > 0 {
		b = append(b, make([]byte, e.size-over)...)
	}
	return b
}

// emptied emits clusters of an emptied volume that are not free: its root directory on
// FAT32, and files that stay.
func (e *emitter) emptied(first, count uint32, at disk.Span) {
	from := e.from.Clusters(first, count)
	root := e.oldRoot()
	if !from.Overlaps(root) {
		e.sink.Copy(at, from.Start, moved(at.Start, from.Start), layout.RankData)
		return
	}
	before, here := root.Start-from.Start, at.Start
	if before > 0 {
		e.sink.Copy(disk.Span{Start: here, Count: before}, from.Start, moved(here, from.Start), layout.RankData)
	}
	here += before
	e.emptyRoot(root, disk.Span{Start: here, Count: root.Count})
	if rest := disk.Between(here+root.Count, at.End()); !rest.Empty() {
		e.sink.Copy(rest, root.End(), moved(rest.Start, root.End()), layout.RankData)
	}
}
