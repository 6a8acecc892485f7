package second

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"

	"github.com/diskfs/go-diskfs/filesystem"
	"github.com/diskfs/go-diskfs/filesystem/fat12"
	"github.com/diskfs/go-diskfs/filesystem/fat16"
	"github.com/diskfs/go-diskfs/filesystem/fat32"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/volume/fat"
)

// Budgets. The library parses a directory and all above it for every name
// that is looked up, about 1 microsecond a slot, and walks a chain from its
// start for every read, about 20 nanoseconds a cluster. To a buffer that ends
// inside a cluster it returns what lies behind the end of the file.
const (
	maxCost  = 400_000     // of one volume, in slots
	maxSteps = 600_000_000 // clusters of one file: 4 GiB in clusters of 4 KiB
	readSize = 8 << 20     // bytes of a file at once
)

// volume compares what the library reads through view with v.
func volume(ctx context.Context, v *fat.Volume, view image.Source, l layout.Volume, opt Options) Opinion {
	o := Opinion{About: layout.VolumeName(l.Index), Sector: l.Start}
	c := comparison{ctx: ctx, v: v, o: &o, opt: opt, store: &storage{src: view}, budget: maxCost, steps: maxSteps}
	folders, err := prove(v)
	if err == nil {
		err = c.run(folders)
		o.Why = c.left(folders)
	}
	o.judge(err)
	return o
}

// comparison is one volume on its way through both readers.
type comparison struct {
	ctx    context.Context
	v      *fat.Volume
	o      *Opinion
	opt    Options
	store  *storage
	second filesystem.FileSystem
	budget int
	steps  int64 // at most, for one file
}

// run lists every folder first, so that names and sizes come before chains
// and bytes if the budget does not do for all.
func (c *comparison) run(folders []*folder) (err error) {
	if c.second, err = c.mount(); err != nil {
		return err
	}
	for _, compare := range []func(*folder) error{c.list, c.contents} {
		for _, d := range folders {
			if err := c.ctx.Err(); err != nil {
				return err
			}
			if err := compare(d); err != nil {
				return err
			}
		}
	}
	return nil
}

// mount lets the library read the volume as what our reader knows it to be.
func (c *comparison) mount() (filesystem.FileSystem, error) {
	const asTheBootSectorSays = 0
	b, size := c.store, c.store.src.Size()
	return guarded(b, func() (filesystem.FileSystem, error) {
		switch c.v.Kind {
		case fat.FAT12:
			return fat12.Read(b, size, 0, asTheBootSectorSays)
		case fat.FAT16:
			return fat16.Read(b, size, 0, asTheBootSectorSays)
		}
		return fat32.Read(b, size, 0, asTheBootSectorSays)
	})
}

// left says what was not compared, or nothing.
func (c *comparison) left(folders []*folder) string {
	rest := Compared{-c.o.Compared.Entries, -c.o.Compared.Chains, -c.o.Compared.Contents, -c.o.Compared.Bytes}
	var parts []string
	for _, d := range folders {
		if d.part && parts == nil {
			parts = []string{fmt.Sprintf("only the first %d entries were looked at", maxEntries)}
		}
		for _, e := range d.entries {
			rest.Entries++
			if e.file.First != 0 {
				rest.Chains++
			}
			if c.opt.Contents && e.file.Size > 0 {
				rest.Contents++
				rest.Bytes += e.file.Size
			}
		}
	}
	if rest != (Compared{}) {
		parts = append(parts, "not compared: "+strings.TrimPrefix(rest.String(), "0 entries, "))
	}
	return strings.Join(parts, "; ")
}

// afford takes the cost from the budget, if it is there.
func (c *comparison) afford(cost int) bool {
	if cost > c.budget {
		return false
	}
	c.budget -= cost
	return true
}

// list compares names, sizes and kinds in the order of the directory.
func (c *comparison) list(d *folder) error {
	if !c.afford(d.cost) {
		return nil
	}
	if d.parent != nil && d.parent.fits(path.Base(d.path)) > 1 {
		return fmt.Errorf("the name of directory /%s fits another entry beside it, too", d.path)
	}
	theirs, err := guarded(c.store, func() (lines []string, err error) {
		got, err := c.second.ReadDir(d.path)
		for _, g := range got {
			info, err := g.Info()
			if err != nil {
				return nil, err
			}
			lines = append(lines, infoText(d, info))
		}
		return lines, err
	})
	if err != nil {
		return err
	}
	if d.part {
		theirs = theirs[:min(len(theirs), len(d.texts))]
	}
	return c.o.alike(theirs, d.texts)
}

func infoText(d *folder, i fs.FileInfo) string {
	return entryText(path.Join("/", d.path, i.Name()), i.(fat12.FileInfo).ShortName(), i.IsDir(), i.Size())
}

// contents compares where each entry lies, and its bytes. An empty file has no cluster; the library opens none.
func (c *comparison) contents(d *folder) error {
	for i := range d.entries {
		f := &d.entries[i].file
		if f.First == 0 {
			continue
		}
		theirs, err := c.open(d, i)
		if err == nil && theirs != nil {
			err = c.chain(theirs, f)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// open opens an entry with the library, or returns nil: where that takes too long,
// and where the library finds another one of that name, or a label.
func (c *comparison) open(d *folder, i int) (*fat12.File, error) {
	name := d.entries[i].name
	if !c.afford(d.cost) || d.fits(name) > 1 {
		return nil, nil
	}
	return guarded(c.store, func() (*fat12.File, error) {
		h, err := c.second.Open(path.Join(d.path, name))
		if err != nil {
			return nil, err
		}
		if info, err := h.Stat(); err != nil || infoText(d, info) != d.texts[i] {
			return nil, err
		}
		return h.(*fat12.File), nil
	})
}

// chain compares the clusters of a file, in their order, and then its bytes.
func (c *comparison) chain(theirs *fat12.File, f *fat.File) error {
	got, err := guarded(c.store, theirs.GetClusterChain)
	if err != nil {
		return err
	}
	if len(got) != int(f.Chain.Clusters) {
		return differf("/%s has %d clusters; ours: %d", f.Path, len(got), f.Chain.Clusters)
	}
	for _, r := range f.Chain.Runs {
		for want := r.First; want < r.End(); want++ {
			if got[0] != want {
				at := int(f.Chain.Clusters) - len(got)
				return differf("/%s: its cluster %d is number %d; ours: %d", f.Path, at, got[0], want)
			}
			got = got[1:]
		}
	}
	c.o.Compared.Chains++
	return c.bytes(theirs, f)
}

// bytes reads a file with both readers, side by side, and compares every byte, if
// that is wanted.
func (c *comparison) bytes(theirs *fat12.File, f *fat.File) error {
	ours := c.v.Open(f)
	steps := int64(f.Chain.Clusters) * ((f.Size + readSize - 1) / readSize)
	if !c.opt.Contents || f.Size == 0 || steps > c.steps || len(ours.Missing()) > 0 {
		return nil
	}
	// A buffer for each file: what was in it before must not pass for its bytes. It
	// gives up a reader that gives nothing and no error either.
	buf := make([]byte, min(readSize, f.Size))
	r := bufio.NewReaderSize(io.LimitReader(theirs, f.Size), len(buf))
	for at := int64(0); at < f.Size; {
		if err := c.ctx.Err(); err != nil {
			return err
		}
		want := buf[:min(readSize, f.Size-at)]
		got, err := guarded(c.store, func() ([]byte, error) { return r.Peek(len(want)) })
		if errors.Is(err, io.EOF) {
			return differf("/%s ends after %d bytes; ours: %d", f.Path, at+int64(len(got)), f.Size)
		} else if err != nil {
			return err
		}
		if err := image.ReadFull(ours, want, at); err != nil {
			return fmt.Errorf("/%s: our own reader failed: %w", f.Path, err)
		}
		if !bytes.Equal(want, got) {
			i := 0
			for want[i] == got[i] {
				i++
			}
			return differf("/%s differs at byte %d", f.Path, at+int64(i))
		}
		r.Discard(len(want))
		at += int64(len(want))
		if c.opt.Progress != nil {
			c.opt.Progress(int64(len(want)))
		}
	}
	c.o.Compared.Contents++
	c.o.Compared.Bytes += f.Size
	return nil
}
