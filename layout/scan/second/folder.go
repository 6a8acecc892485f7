package second

import (
	"path"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"bootgraft/image/disk"
	"bootgraft/layout/volume/fat"
)

// folder is a directory as the library should list it.
type folder struct {
	path    string // "." is the root
	depth   int
	cost    int // slots that the library parses to list it, its parents included
	entries []entry
	part    bool            // not all of its entries are here
	labels  map[string]bool // folded short names of volume labels in it
}

// entry is a file or directory as the library should see it.
type entry struct {
	name, short string // short as its bytes lie on the disk
	ambiguous   bool   // opening it by its name may find another entry
	file        fat.File
}

// gatherer builds the folders of a volume from our own walk.
type gatherer struct {
	v       *fat.Volume
	folders []*folder
	byPath  map[string]*folder // by the path that our walk gives
	entries int
}

// gather returns what the library should list, in the order of our walk and
// up to maxEntries entries, or why it would read something else. all is false
// if there are more.
func gather(v *fat.Volume, t *fat.Table) (folders []*folder, all bool, err error) {
	g := &gatherer{v: v, byPath: map[string]*folder{}}
	where := []disk.Span{v.RootSpan()}
	if v.Kind == fat.FAT32 {
		where = v.Extents(t.Follow(v.BPB.RootCluster).Runs)
	}
	if err := g.open(&folder{path: "."}, "", where); err != nil {
		return nil, false, err
	}
	all = true
	for f := range v.NewWalk(t, fat.WalkOptions{}).Files() {
		parent := g.byPath[directory(f.Path)]
		if g.entries == maxEntries {
			for _, d := range g.folders { // those that are empty here may be yet to come
				d.part = d == parent || len(d.entries) == 0
			}
			all = false
			break
		}
		if err := g.add(parent, f); err != nil {
			return nil, false, err
		}
	}
	return g.folders, all, g.ambiguous()
}

// directory returns the path before the last slash, or "".
func directory(p string) string {
	if i := strings.LastIndexByte(p, '/'); i >= 0 {
		return p[:i]
	}
	return ""
}

// open looks at the raw slots of a directory and adds it.
func (g *gatherer) open(d *folder, ours string, where []disk.Span) error {
	s := slots{src: g.v.Source(), labels: map[string]bool{}}
	if err := s.look(where); err != nil {
		return refusef("directory /%s: %v", ours, err)
	}
	d.labels = s.labels
	d.cost += s.count
	g.folders = append(g.folders, d)
	g.byPath[ours] = d
	return nil
}

// add adds one file or directory of our walk.
func (g *gatherer) add(parent *folder, f *fat.File) error {
	short, err := rawShort(f)
	if err != nil {
		return err
	}
	e := entry{name: short, short: short, file: *f}
	if f.Long {
		e.name = f.Name
	}
	if err := plausible(e.name); err != nil {
		return err
	}
	switch high := f.Raw[21]; {
	case g.v.Kind != fat.FAT32 && (f.Raw[20] != 0 || high != 0):
		return refusef("/%s has a handle of extended attributes, which it takes for a part of the cluster number", f.Path)
	case high&0xF0 != 0:
		return refusef("/%s: the upper 4 bits of its cluster number are set", f.Path)
	}
	e.file.Chain.Runs = slices.Clone(f.Chain.Runs)
	parent.entries = append(parent.entries, e)
	g.entries++
	if !f.Dir {
		return nil
	}
	d := &folder{path: path.Join(parent.path, e.name), depth: parent.depth + 1, cost: parent.cost}
	switch {
	case g.byPath[f.Path] != nil:
		return refusef("there are two directories /%s", f.Path)
	case d.depth > maxDepth:
		return refusef("directories lie more than %d deep", maxDepth)
	case !utf8.ValidString(e.name):
		return refusef("directory /%s has a short name alone with letters that are not ASCII, which it cannot open", f.Path)
	}
	return g.open(d, f.Path, f.Extents())
}

// rawShort returns the short name as the library should give it: its bytes
// as they are, in lower case where the entry says so.
func rawShort(f *fat.File) (string, error) {
	base, ext := strings.TrimRight(string(f.Raw[:8]), " "), strings.TrimRight(string(f.Raw[8:11]), " ")
	switch base {
	case "", ".", "..":
		return "", refusef("/%s has a short name that begins with blanks or with dots alone, which it leaves out", f.Path)
	}
	lower := f.Raw.Case()&0x18 != 0
	if lower && !utf8.ValidString(base+ext) {
		return "", refusef("/%s has a short name in lower case with letters that are not ASCII", f.Path)
	}
	if f.Raw.Case()&0x08 != 0 {
		base = strings.ToLower(base)
	}
	if f.Raw.Case()&0x10 != 0 {
		ext = strings.ToLower(ext)
	}
	if ext == "" {
		return base, nil
	}
	return base + "." + ext, nil
}

// plausible refuses names that cannot be one element of a path, whichever of
// the two readers they come from.
func plausible(name string) error {
	if name == "" || name == "." || name == ".." || strings.ContainsAny(name, "/\\\x00") {
		return refusef("the name %q cannot stand in a path", name)
	}
	return nil
}

// ambiguous marks the entries that the library would confuse with others: it
// compares a name with the long and the short name of every entry, in either
// case.
func (g *gatherer) ambiguous() error {
	for _, d := range g.folders {
		owner := map[string]int{}
		for i := range d.entries {
			e := &d.entries[i]
			for _, name := range []string{folded(e.name), folded(e.short)} {
				other, taken := owner[name]
				owner[name] = i
				if taken && other != i {
					e.ambiguous, d.entries[other].ambiguous = true, true
				}
			}
		}
		for _, e := range d.entries {
			if e.ambiguous && e.file.Dir {
				return refusef("the name of directory /%s fits another entry beside it, too", e.file.Path)
			}
		}
	}
	for _, d := range g.folders {
		for i := range d.entries {
			e := &d.entries[i]
			e.ambiguous = e.ambiguous || d.labels[folded(e.name)] || d.labels[folded(e.short)]
		}
	}
	return nil
}

// folded returns the same text for all names that strings.EqualFold takes for
// equal. Bytes that are no UTF-8 are all alike to it.
func folded(name string) string {
	return strings.Map(func(r rune) rune {
		least := r
		for f := unicode.SimpleFold(r); f != r; f = unicode.SimpleFold(f) {
			least = min(least, f)
		}
		return least
	}, name)
}
