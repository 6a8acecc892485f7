package second

import (
	"context"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"strings"

	"github.com/diskfs/go-diskfs/filesystem"
	"github.com/diskfs/go-diskfs/filesystem/fat12"

	"bootgraft/layout/volume/fat"
)

func itoa(n int) string { return strconv.Itoa(n) }

// Budgets. The library parses a directory and all above it for every name
// that is looked up, about 1 microsecond a slot, and walks a chain from its
// start for every read, about 20 nanoseconds a cluster.
const (
	maxParses = 400_000     // slots of one volume
	maxSteps  = 600_000_000 // clusters of one file: 4 GiB in clusters of 4 KiB
)

// comparison is one volume on its way through both readers.
type comparison struct {
	ctx    context.Context
	v      *fat.Volume
	o      *Opinion
	opt    Options
	store  *storage
	second filesystem.FileSystem
	parses int
	steps  int64 // at most, for one file
	buf    [2][]byte

	unlisted int // directories
	unopened int // entries whose chains were not compared
	unread   int // files whose bytes were not compared
}

// run lists every folder first, so that names and sizes come before chains
// and bytes if the budget does not do for all.
func (c *comparison) run(folders []*folder) (err error) {
	if c.second, err = mount(c.v, c.store); err != nil {
		return err
	}
	for _, d := range folders {
		if err := c.list(d); err != nil {
			return err
		}
	}
	for _, d := range folders {
		for i := range d.entries {
			if err := c.ctx.Err(); err != nil {
				return err
			}
			if err := c.content(d, &d.entries[i]); err != nil {
				return err
			}
		}
	}
	return nil
}

// left says what was not compared, or nothing.
func (c *comparison) left(all bool) string {
	var parts []string
	if !all {
		parts = append(parts, fmt.Sprintf("only the first %d entries were compared", maxEntries))
	}
	for _, l := range []struct {
		n         int
		one, many string
	}{
		{c.unlisted, "directory was not listed", "directories were not listed"},
		{c.unopened, "chain was not compared", "chains were not compared"},
		{c.unread, "file was not read", "files were not read"},
	} {
		if l.n > 0 {
			parts = append(parts, count(l.n, l.one, l.many))
		}
	}
	return strings.Join(parts, ", ")
}

// afford takes n slots from the budget, if they are there.
func (c *comparison) afford(n int) bool {
	if n > c.parses {
		return false
	}
	c.parses -= n
	return true
}

// list compares names, sizes and kinds in the order of the directory.
func (c *comparison) list(d *folder) error {
	if err := c.ctx.Err(); err != nil {
		return err
	}
	if !c.afford(d.cost) {
		c.unlisted++
		return nil
	}
	got, err := guarded(func() ([]fs.DirEntry, error) { return c.second.ReadDir(d.path) })
	if err != nil {
		return err
	}
	for i, e := range d.entries {
		if i == len(got) {
			return differf("/%s is missing", e.file.Path)
		}
		if err := compareEntry(got[i], &e); err != nil {
			return err
		}
		c.o.Compared.Entries++
	}
	if len(got) > len(d.entries) && !d.part {
		return differf("there is %q in directory %s, which ours does not list", got[len(d.entries)].Name(), d.path)
	}
	return nil
}

// shortNamed is what the library knows of a file beyond fs.FileInfo.
type shortNamed interface{ ShortName() string }

func compareEntry(got fs.DirEntry, e *entry) error {
	info, err := guarded(got.Info)
	if err != nil {
		return err
	}
	if err := plausible(info.Name()); err != nil {
		return err
	}
	if info.Name() != e.name {
		return differf("%q where ours has /%s (%q)", info.Name(), e.file.Path, e.name)
	}
	if s, ok := info.(shortNamed); ok && s.ShortName() != e.short {
		return differf("/%s has the short name %q; ours: %q", e.file.Path, s.ShortName(), e.short)
	}
	if info.IsDir() != e.file.Dir {
		return differf("/%s is a directory: %v; ours: %v", e.file.Path, info.IsDir(), e.file.Dir)
	}
	if !e.file.Dir && info.Size() != e.file.Size {
		return differf("/%s has %d bytes; ours: %d", e.file.Path, info.Size(), e.file.Size)
	}
	return nil
}

// content compares where an entry lies, and what its bytes are if that is
// wanted.
func (c *comparison) content(d *folder, e *entry) error {
	f := &e.file
	if f.First == 0 {
		return nil // an empty file: it has no cluster, and the library opens none
	}
	if e.ambiguous || !c.afford(d.cost) {
		c.unopened++
		if c.opt.Contents && !f.Dir && f.Size > 0 {
			c.unread++
		}
		return nil
	}
	h, err := guarded(func() (fs.File, error) { return c.second.Open(pathOf(d, e)) })
	if err != nil {
		return err
	}
	theirs, ok := h.(*fat12.File)
	if !ok {
		return refusef("it opens files of a kind that is not known here (%T)", h)
	}
	if err := c.chain(theirs, f); err != nil {
		return err
	}
	if !c.opt.Contents || f.Dir || f.Size == 0 {
		return nil
	}
	return c.bytes(theirs, f)
}

func pathOf(d *folder, e *entry) string {
	if d.path == "." {
		return e.name
	}
	return d.path + "/" + e.name
}

// chain compares the clusters of a file, in their order.
func (c *comparison) chain(theirs *fat12.File, f *fat.File) error {
	got, err := guarded(theirs.GetClusterChain)
	if err != nil {
		return err
	}
	i := 0
	for _, r := range f.Chain.Runs {
		n := int(r.Count)
		if len(got)-i < n {
			return differf("/%s has %d clusters; ours: %d", f.Path, len(got), f.Chain.Clusters)
		}
		for k, cluster := range got[i : i+n] {
			if want := r.First + uint32(k); cluster != want {
				return differf("/%s: its cluster %d is number %d; ours: %d", f.Path, i+k, cluster, want)
			}
		}
		i += n
	}
	if i != len(got) {
		return differf("/%s has %d clusters; ours: %d", f.Path, len(got), f.Chain.Clusters)
	}
	c.o.Compared.Chains++
	return nil
}

// sized returns a buffer of n bytes that is used again.
func (c *comparison) sized(which, n int) []byte {
	c.buf[which] = slices.Grow(c.buf[which][:0], n)[:n]
	return c.buf[which]
}
