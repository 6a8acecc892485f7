package fat

import (
	"fmt"
	"slices"

	"bootgraft/image/disk"
)

// Problem is one thing wrong with a file, a directory or a chain.
type Problem struct {
	Code    disk.Code
	Path    string // "" if it belongs to no file
	Cluster uint32 // where it goes wrong
	Unsafe  bool   // clusters cannot be moved while it lasts
	OwnOnly bool   // unsafe for what it is about alone: a change of the size carries it as it is
	Text    string
}

// Health is the state of a whole volume.
type Health struct {
	Usage
	Files       int
	Dirs        int
	Deleted     int // deleted entries in directories that exist
	Lost        uint32
	CrossLinked uint32    // clusters that more than one file claims
	Problems    []Problem // at most 1,000 unsafe ones and as many others
	Total       int       // how many there are
	Unsafe      int       // how many of them are unsafe
	Findings    []disk.Finding
	Doubts      []Doubt  // those of Findings that a change of the size must not pass over
	Astray      []string // what in directories may lead another reader to other files; at most 1,000
}

// Sound tells whether nothing makes it unsafe to move clusters.
func (h *Health) Sound() bool { return h.Unsafe == 0 }

type checker struct {
	v       *Volume
	t       *Table
	h       *Health
	claimed bitset
	twice   bitset
}

// Check walks the whole volume once, and once more if files are cross-linked.
// It takes two bits a cluster besides the table. It reads tables, directories
// and FSInfo, never the content of files.
func (v *Volume) Check(t *Table) *Health {
	c := &checker{v: v, t: t, h: &Health{Usage: t.Usage()}, claimed: newBitset(t.Clusters + 2),
		twice: newBitset(t.Clusters + 2)}
	c.h.Findings = append(c.h.Findings, v.Findings...)
	c.h.Findings = append(c.h.Findings, t.Findings...)
	c.h.Doubts = slices.Concat(v.Doubts, t.Doubts)
	for _, f := range v.CompareTables() {
		c.h.Findings = append(c.h.Findings, f)
		c.h.Doubts = append(c.h.Doubts, Doubt{f, "after the change all of them are like the one that counts"})
	}
	c.walk()
	if c.h.CrossLinked > 0 {
		c.nameCrossed()
	}
	c.lost()
	c.fsinfo()
	return c.h
}

func (c *checker) problem(unsafe bool, code disk.Code, path string, cluster uint32, format string, args ...any) {
	c.add(Problem{Code: code, Path: path, Cluster: cluster, Unsafe: unsafe, Text: fmt.Sprintf(format, args...)})
}

// own notes what is wrong with one file or directory and harms no other.
func (c *checker) own(code disk.Code, path string, cluster uint32, format string, args ...any) {
	c.add(Problem{Code: code, Path: path, Cluster: cluster, Unsafe: true, OwnOnly: true,
		Text: fmt.Sprintf(format, args...)})
}

func (c *checker) add(p Problem) {
	c.h.Total++
	of := c.h.Total - c.h.Unsafe // how many of its sort there are
	if p.Unsafe {
		c.h.Unsafe++
		of = c.h.Unsafe
	}
	if of <= maxFindings {
		c.h.Problems = append(c.h.Problems, p)
	}
}

func (c *checker) walk() {
	w := c.v.NewWalk(c.t, WalkOptions{})
	w.onDot = c.dot
	w.onDir = func(d *dir, ch Chain) {
		if d.parent == nil {
			c.claim(&ch)
			c.ending(&ch, "/")
		}
	}
	for f := range w.Files() {
		if f.Dir {
			c.h.Dirs++
		} else {
			c.h.Files++
		}
		c.file(f)
	}
	c.h.Deleted = w.Deleted
	c.h.Findings, c.h.Astray = append(c.h.Findings, w.Findings...), w.astray
	for _, f := range w.unlisted {
		c.problem(true, f.Code, "", 0, "%s", f.Text)
	}
}

func (c *checker) claim(ch *Chain) {
	for n := range ch.clusters() {
		if !c.claimed.set(n) && c.twice.set(n) {
			c.h.CrossLinked++
		}
	}
}

func (c *checker) file(f *File) {
	c.claim(&f.Chain)
	c.ending(&f.Chain, f.Path)
	switch {
	case f.Dir && f.Raw.Size() != 0:
		c.problem(false, disk.FATDirectorySize, f.Path, f.First, "a directory whose entry states %s; it should state none",
			disk.Counted(f.Raw.Size(), "byte"))
	case f.Chain.Ends == EndsWell && f.shortChain():
		c.own(disk.FATChainShort, f.Path, f.First,
			"it has %s, but only %s of the %s that they need",
			disk.Counted(f.Size, "byte"), disk.Grouped(f.Chain.Clusters), disk.Counted(int64(f.need()), "cluster"))
	case f.Chain.Ends == EndsWell && f.longChain():
		c.problem(false, disk.FATChainLong, f.Path, f.First,
			"it has %s, and its %s need %s; the rest is reserved for it",
			disk.Counted(f.Chain.Clusters, "cluster"), disk.Counted(f.Size, "byte"), disk.Grouped(int64(f.need())))
	}
}

var endingCodes = map[Ending]disk.Code{
	EndsLoop: disk.FATChainLoop, EndsFree: disk.FATChainIntoFree, EndsBad: disk.FATChainIntoBad,
	EndsOutside: disk.FATChainOutside, EndsUnknown: disk.FATChainUnknown, EndsGivenUp: disk.FATChainGivenUp,
}

func (c *checker) ending(ch *Chain, path string) {
	if ch.Ends != EndsWell {
		c.problem(true, endingCodes[ch.Ends], path, ch.At, "its chain %s at cluster %s, after %s", ch.Ends,
			disk.Grouped(ch.At), disk.Counted(ch.Clusters, "cluster"))
	}
}

// dot checks the entries . and .. of a directory. The parent of a directory in
// the root is 0, also on FAT32 (FG, "FAT Directory Structure"), where some
// systems write the number of the root.
func (c *checker) dot(d *dir, r *Raw, at Slot) {
	have := r.Cluster(c.v.Kind)
	want, name := d.first, "."
	if r[1] == '.' {
		name = ".."
		if want = 0; d.parent != nil && d.parent.parent != nil {
			want = d.parent.first
		}
	}
	root := name == ".." && want == 0 && c.v.Kind == FAT32 && have == c.v.BPB.RootCluster
	if d.parent != nil && have != want && !root {
		c.own(disk.FATDotEntryWrong, d.path(), have,
			"its entry %s in sector %s names cluster %s, and it should name %s",
			name, disk.Grouped(at.Sector), disk.Grouped(have), disk.Grouped(want))
	}
}

// nameCrossed names every file that has a cluster which another claims too.
func (c *checker) nameCrossed() {
	for f := range c.v.NewWalk(c.t, WalkOptions{}).Files() {
		for n := range f.Chain.clusters() {
			if c.twice.has(n) {
				c.problem(true, disk.FATCrossLinked, f.Path, n, "from cluster %s on it shares clusters with another file "+
					"or directory", disk.Grouped(n))
				break
			}
		}
	}
}

// lost finds the clusters that are in use and belong to no file. Their chains
// are counted by their first clusters: those that no other of them names.
func (c *checker) lost() {
	named := newBitset(c.t.Clusters + 2)
	for n := uint32(2); n <= c.t.Clusters+1; n++ {
		if next, link := c.t.At(n); !c.claimed.has(n) && link == Next {
			named.set(next)
		}
	}
	steps := 4*int64(c.t.Clusters) + chunk
	for n := uint32(2); n <= c.t.Clusters+1; n++ {
		_, link := c.t.At(n)
		if c.claimed.has(n) || link == Free || link == Bad || link == Unknown {
			continue
		}
		c.h.Lost++
		if !named.has(n) {
			ch := c.t.follow(n, nil, &steps)
			c.problem(false, disk.FATLostChain, "", n,
				"a chain of %s from cluster %s belongs to no file; it %s",
				disk.Counted(ch.Clusters, "cluster"), disk.Grouped(n), ch.Ends)
		}
	}
	if c.h.Lost > 0 {
		c.h.Findings = append(c.h.Findings, disk.Warningf(disk.FATLostClusters, disk.NoSector,
			"%s in use and %s to no file",
			disk.Counted(c.h.Lost, "cluster")+" "+disk.IsAre(c.h.Lost),
			map[bool]string{true: "belongs", false: "belong"}[c.h.Lost == 1]))
	}
}

func (c *checker) fsinfo() {
	i := c.v.FSInfo
	if i == nil {
		return
	}
	if i.Free != Unset && i.Free != c.h.Free && c.h.Unknown == 0 {
		c.h.Findings = append(c.h.Findings, disk.Warningf(disk.FSInfoWrong, i.Sector,
			"FSInfo states %s (byte 488), the table has %s",
			disk.Counted(i.Free, "free cluster"), disk.Grouped(c.h.Free)))
	}
	if i.Next != Unset && !c.t.has(i.Next) {
		c.h.Findings = append(c.h.Findings, disk.Warningf(disk.FSInfoWrong, i.Sector,
			"FSInfo says to look for free clusters at cluster %s (byte 492), which does not exist",
			disk.Grouped(i.Next)))
	}
}
