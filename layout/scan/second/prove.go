package second

import (
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"unicode/utf8"

	"bootgraft/layout/volume/fat"
)

// Limits of what the library is given. It keeps three copies of the table
// while it opens a volume, and reads a whole directory for every name that it
// looks up. maxEntries is by hand, no source. How deep directories may lie is
// bounded by maxCost, how large a volume may be by the library itself.
const (
	maxTable     = 16 << 20 // bytes of one allocation table: 4,194,304 clusters on FAT32
	maxDirectory = 2 << 20  // bytes; 65,536 entries, the most that the published format allows
	maxEntries   = 10_000
)

// prove shows that the library can be let loose on the volume, and returns
// what it should find there. What the library refuses in so many words, and
// sectors that are not known, are no matter of it: its word, and a read that
// fails, are an answer.
func prove(v *fat.Volume) ([]*folder, error) {
	if err := readable(v); err != nil {
		return nil, err
	}
	t, err := v.ActiveTable()
	if err == nil {
		err = tableReadable(v, t)
	}
	if err != nil {
		return nil, err
	}
	// Sound is what shows nothing that could lead the library astray: loops, chains that
	// end wrongly or too early, shared clusters, names that cannot stand in a path or
	// that it decodes in its own way.
	h := v.Check(t)
	for _, p := range h.Problems {
		if p.Unsafe {
			return nil, fmt.Errorf("the volume is damaged (%s): %s %s; it is asked about sound volumes only",
				p.Code, p.Path, p.Text)
		}
	}
	if len(h.Astray) > 0 {
		return nil, errors.New(h.Astray[0])
	}
	return gather(v, t)
}

// readable says why the library cannot read this form of FAT, or nil. Each
// case was seen to end in wrong names, a refusal, a panic or a hang.
func readable(v *fat.Volume) error {
	b := &v.BPB
	wide := v.Kind == fat.FAT32
	switch {
	case v.BootSector != 0:
		return errors.New("the boot sector cannot be used, and it does not look for the backup")
	case b.FATs != 2:
		return fmt.Errorf("it wants two allocation tables, the volume has %d", b.FATs)
	case !v.Mirrored || v.Active != 0:
		return errors.New("only one of the allocation tables is active, and it does not know that")
	case b.SectorsPerFAT()*int64(b.BytesPerSector) > maxTable:
		return fmt.Errorf("the allocation table is larger than %d bytes, which it keeps three times in memory", maxTable)
	case b.TotalSectors16 != 0 && b.TotalSectors32 != 0 && uint32(b.TotalSectors16) != b.TotalSectors32:
		return errors.New("the boot sector states two sizes, and it believes the other one")
	case wide && b.RootCluster != 2:
		return fmt.Errorf("the root directory begins at cluster %d, and it takes cluster 2", b.RootCluster)
	case b.Signature != 0x28 && b.Signature != 0x29:
		return errors.New("the boot sector has no extended signature 28 or 29")
	case !b.Marked && v.Kind != fat.FAT16:
		return errors.New("bytes 510 and 511 of the boot sector are not 55 AA")
	case wide && v.FSInfo == nil:
		return errors.New("there is no valid FSInfo sector")
	case wide && b.RootEntries != 0:
		return errors.New("there is room for a fixed root directory, which it overlooks")
	}
	return nil
}

// tableReadable looks at the first allocation table, and at its copy.
func tableReadable(v *fat.Volume, t *fat.Table) error {
	found := v.CompareTables()
	high := slices.IndexFunc(t.Entries[2:], func(e uint32) bool { return e>>28 != 0 })
	switch {
	case len(found) > 0:
		return fmt.Errorf("the copies of the allocation table differ, first in sector %d of the volume", found[0].Sector)
	case v.Kind == fat.FAT32 && t.Entries[1]&0x0C000000 != 0x0C000000:
		return errors.New("the volume is marked as not closed properly or as faulty, and it takes these flags of the " +
			"allocation table for its end mark")
	case high >= 0:
		return fmt.Errorf("the upper 4 bits of the table entry of cluster %d are set, and it takes them for a part "+
			"of the number", high+2)
	}
	return nil
}

// folder is a directory as the library should list it.
type folder struct {
	parent  *folder // nil for the root
	path    string  // "." is the root
	size    int64   // bytes
	cost    int     // of listing it and its parents: 1 for a slot that is parsed, or for 4 KiB that are read
	entries []entry
	texts   []string // what is listed of each
	part    bool     // not all of its entries are here
}

// entry is a file or directory as the library should see it.
type entry struct {
	name, short string // short as its bytes lie on the disk
	file        fat.File
}

// fits counts the entries that the library takes for one of that name: it
// compares a name with the long and the short one of each, in either case.
func (d *folder) fits(name string) (n int) {
	for _, e := range d.entries {
		if strings.EqualFold(e.name, name) || strings.EqualFold(e.short, name) {
			n++
		}
	}
	return n
}

// gather returns what the library should list, in the order of our walk and
// up to maxEntries entries, or why it would read something else.
func gather(v *fat.Volume, t *fat.Table) ([]*folder, error) {
	root := &folder{path: ".", size: int64(v.RootSpan().Count) * int64(v.Source().SectorSize())}
	if v.Kind == fat.FAT32 {
		root.size = int64(t.Follow(v.BPB.RootCluster).Clusters) * v.ClusterBytes()
	}
	folders := []*folder{root}
	byPath := map[string]*folder{".": root} // by the path that our walk gives
	entries := 0
	for f := range v.NewWalk(t, fat.WalkOptions{}).Files() {
		parent := byPath[path.Dir(f.Path)]
		if entries++; entries > maxEntries {
			for _, d := range folders { // those that are empty here may be yet to come
				d.part = d == parent || len(d.entries) == 0
			}
			break
		}
		if err := entryReadable(v, f); err != nil {
			return nil, fmt.Errorf("/%s: %w", f.Path, err)
		}
		e := entry{short: f.Raw.Short(func(b []byte) string { return string(b) }), file: *f}
		e.file.Chain.Runs = slices.Clone(f.Chain.Runs) // our walk uses them again
		if e.name = e.short; f.Long {
			e.name = f.Name
		}
		text := entryText(path.Join("/", parent.path, e.name), e.short, f.Dir, f.Size)
		parent.entries, parent.texts = append(parent.entries, e), append(parent.texts, text)
		parent.cost += 1 + len(e.name)/fat.UnitsAPart
		if f.Dir {
			d := &folder{parent: parent, path: path.Join(parent.path, e.name), size: int64(f.Chain.Clusters) * v.ClusterBytes()}
			folders, byPath[f.Path] = append(folders, d), d
		}
	}
	for _, d := range folders {
		if d.size > maxDirectory {
			return nil, fmt.Errorf("directory /%s is larger than %d bytes", d.path, maxDirectory)
		}
		d.cost += int(d.size >> 12)
		if d.parent != nil {
			d.cost += d.parent.cost
		}
	}
	return folders, nil
}

// entryReadable says why the library cannot read an entry, or nil.
func entryReadable(v *fat.Volume, f *fat.File) error {
	base, high := strings.TrimRight(string(f.Raw[:8]), " "), f.Raw[21]
	switch {
	case base == "" || base == "." || base == "..":
		return errors.New("its short name begins with blanks or with dots alone, which it leaves out")
	case v.Kind != fat.FAT32 && (f.Raw[20] != 0 || high != 0):
		return errors.New("it has a handle of extended attributes, which passes for a part of the cluster number")
	case high&0xF0 != 0:
		return errors.New("the upper 4 bits of its cluster number are set")
	case f.Dir && !f.Long && !utf8.Valid(f.Raw[:11]):
		return errors.New("a directory that has a short name alone, with letters that are not ASCII, cannot be opened")
	}
	return nil
}

// entryText says what is listed of an entry: of a directory no size, whatever it states.
func entryText(name, short string, dir bool, size int64) string {
	if dir {
		return fmt.Sprintf("directory %q (%q)", name, short)
	}
	return fmt.Sprintf("file %q (%q) of %d bytes", name, short, size)
}
