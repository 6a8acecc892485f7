package fat

import (
	"fmt"
	"iter"
	"slices"

	"golang.org/x/text/encoding/charmap"

	"bootgraft/image/disk"
)

// WalkOptions are choices of a Walk. The zero value is the usual one.
type WalkOptions struct {
	CodePage *charmap.Charmap // of short names; nil is codepage 437
}

// Limits of a Walk: by hand, no source. No system that writes FAT reaches them (a path
// there has at most 260 characters, common practice, no source).
const (
	maxPath     = 4096 // bytes of a directory's path
	maxFindings = 1000
)

// File is one directory entry: a file, or a directory. A Walk reuses it and
// its Runs for the next one: copy what must last.
type File struct {
	Path  string // from the root, with slashes, without one in front
	Name  string // the long name if there is one that belongs to the entry, else the short name
	Short string // the 8.3 name
	Long  bool   // Name is a long name
	Dir   bool
	Raw   Raw
	Place Slot  // of the entry
	Slot  Slot  // of the first part of the long name; Place itself if there is none
	Size  int64 // bytes; 0 for a directory
	First uint32
	Chain Chain

	v *Volume
}

// Extents returns the sectors of all clusters of the file, in its order.
func (f *File) Extents() []disk.Span { return f.v.Extents(f.Chain.Runs) }

// need returns how many clusters the size of a file asks for; for a directory
// it is what its chain has.
func (f *File) need() uint32 {
	if f.Dir {
		return f.Chain.Clusters
	}
	n := f.v.ClusterBytes()
	return uint32((f.Size + n - 1) / n)
}

// shortChain tells whether the file has fewer clusters than its size asks for.
func (f *File) shortChain() bool { return f.Chain.Clusters < f.need() }

// longChain tells whether the file has more clusters than its size asks for.
// Recorders that reserve room ahead leave such files: that is no damage.
func (f *File) longChain() bool { return f.Chain.Clusters > f.need() }

// Walk lists the directories and files of a volume.
type Walk struct {
	Label    string // of the root directory, "" if it has none
	Deleted  int    // deleted entries met, parts of long names not counted
	Orphans  int    // parts of long names that belong to no entry
	Findings []disk.Finding

	v       *Volume
	t       *Table
	page    *charmap.Charmap
	steps   int64
	dirs    bitset // clusters of directories met so far
	pending []*dir
	file    File
	long    longName
	buf     []byte
	onDot   func(*dir, *Raw, Slot) // sees the entries . and ..
	onDir   func(*dir, Chain)      // sees the chain of each directory

	onDeleted func(*Raw, Slot) // sees deleted entries

	astray   []string       // what may lead another reader to other files
	unlisted []disk.Finding // those of Findings because of which files may be missing, though chains are whole
}

// dir is a directory that waits to be read.
type dir struct {
	parent *dir // nil for the root
	name   string
	first  uint32 // cluster; 0 for a fixed root
	place  Slot
}

func (d *dir) path() string {
	if d.parent == nil {
		return ""
	}
	if p := d.parent.path(); p != "" {
		return p + "/" + d.name
	}
	return d.name
}

// pathLen is the length of path without making it; it stops counting above
// maxPath, as nothing deeper is entered.
func (d *dir) pathLen() int {
	n := 0
	for ; d.parent != nil && n <= maxPath; d = d.parent {
		n += len(d.name) + 1
	}
	return n
}

// NewWalk prepares a Walk of the volume by one of its tables.
func (v *Volume) NewWalk(t *Table, o WalkOptions) *Walk {
	return &Walk{
		v: v, t: t, page: o.CodePage,
		steps: 4*int64(t.Clusters) + chunk,
		dirs:  newBitset(t.Clusters + 2),
	}
}

// Files yields each directory and file, a directory before what lies in it,
// entries in the order of their directory. It reads directories and nothing
// else, and takes memory for the names of directories still to come and one
// bit a cluster. What is wrong goes to Findings. A Walk is for one use.
func (w *Walk) Files() iter.Seq[*File] {
	return func(yield func(*File) bool) {
		root := &dir{}
		if w.v.Kind == FAT32 {
			root.first = w.v.BPB.RootCluster
		}
		w.pending = append(w.pending, root)
		for len(w.pending) > 0 {
			d := w.pending[len(w.pending)-1]
			w.pending = w.pending[:len(w.pending)-1]
			mark := len(w.pending)
			if w.read(d, yield) == enough {
				return
			}
			slices.Reverse(w.pending[mark:])
		}
		if w.Orphans > 0 {
			w.stray(disk.Notef(disk.FATOrphanLongNames, disk.NoSector,
				"%d parts of long names belong to no entry; nothing uses them", w.Orphans))
		}
	}
}

func (w *Walk) find(f disk.Finding) {
	switch n := len(w.Findings); {
	case n < maxFindings:
		w.Findings = append(w.Findings, f)
	case n == maxFindings:
		more := disk.Warningf(disk.FATMoreFindings, disk.NoSector,
			"more than %d findings in directories; the rest is not listed", maxFindings).Hiding()
		w.Findings = append(w.Findings, more)
		w.unlisted = append(w.unlisted, more) // what the rest would say nobody knows
	}
}

// stray notes a finding that may lead another reader astray.
func (w *Walk) stray(f disk.Finding) {
	w.odd("%s: %s", f.Code, f.Text)
	w.find(f)
}

// odd notes what is no fault and may lead another reader astray.
func (w *Walk) odd(format string, args ...any) {
	if len(w.astray) < maxFindings {
		w.astray = append(w.astray, fmt.Sprintf(format, args...))
	}
}

// miss notes a finding because of which files may be missing.
func (w *Walk) miss(f disk.Finding) {
	f = f.Hiding()
	if len(w.Findings) < maxFindings {
		w.unlisted = append(w.unlisted, f)
	}
	w.find(f)
}
