package diff

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/files"
	"bootgraft/layout/volume"
)

// FileChanges are the files of which name, size or time differ.
type FileChanges struct {
	Added   []string
	Removed []string
	Changed []string
	Desktop []string // of those added: what desktops make; folders end with a slash
}

// MadeVolume is a volume that was made new.
type MadeVolume struct {
	disk.Span
	Index int
	Kind  string // what it is now
	Maker string // who made it, as its boot sector says
	Lost  int    // files that were there before and are not any more
}

// stamp is what a directory says of a file.
type stamp struct{ size, modified int64 }

// listing is what a walk over one side found.
type listing struct {
	files map[string]stamp
	own   disk.Spans             // sectors of files that no desktop made
	dirs  disk.Spans             // sectors of folders, of FAT volumes
	of    map[string][]disk.Span // sectors of each file
}

// lookIntoVolumes says what changed inside volumes, if anything did.
func (w *work) lookIntoVolumes() error {
	w.out.Files = FileChanges{[]string{}, []string{}, []string{}, []string{}}
	if len(w.inVolumes) == 0 {
		return nil
	}
	before, err := w.list(w.before, nil)
	if err != nil {
		return err
	}
	after, err := w.list(w.after, before)
	if err != nil {
		return err
	}
	c := &w.out.Files
	for name, is := range after.files {
		was, there := before.files[name]
		switch {
		case !there && isDesktopName(name[strings.Index(name, ":")+1:]):
			c.Desktop = append(c.Desktop, name)
			if !strings.HasSuffix(name, "/") {
				c.Added = append(c.Added, name)
			}
		case strings.HasSuffix(name, "/"):
		case !there:
			c.Added = append(c.Added, name)
		case was != is:
			c.Changed = append(c.Changed, name)
		}
	}
	for name := range before.files {
		if _, there := after.files[name]; !there && !strings.HasSuffix(name, "/") {
			c.Removed = append(c.Removed, name)
		}
	}
	for _, list := range [][]string{c.Added, c.Removed, c.Changed, c.Desktop} {
		slices.Sort(list)
	}
	w.findMade(c)
	w.judgeVolumes(before, after)
	return nil
}

// list walks over the files of one side. Files that were not there before and
// have the name of one that a desktop makes are no device's own.
func (w *work) list(d Side, before *listing) (*listing, error) {
	out := &listing{files: map[string]stamp{}, of: map[string][]disk.Span{}}
	var own, dirs []disk.Span
	_, err := files.Walk(w.ctx, d.Source, d.Survey, files.Options{}, func(f *files.File) error {
		name := fmt.Sprintf("%d:%s", f.Volume, f.Path)
		out.files[name] = stamp{f.Size, f.Modified.UnixNano()}
		for _, e := range f.Extents {
			out.of[name] = append(out.of[name], e.Stored)
		}
		if before != nil && isDesktopName(f.Path) {
			if _, there := before.files[name]; !there {
				return nil
			}
		}
		own = append(own, out.of[name]...)
		return nil
	})
	if err != nil {
		return nil, err
	}
	for i, v := range openTraced(d) {
		base := d.Survey.Volume(i).Start
		_, err := v.Entries(func(f *volume.File) {
			if !f.Dir {
				return
			}
			if f.Path != "." {
				out.files[fmt.Sprintf("%d:%s/", i, f.Path)] = stamp{}
			}
			for _, e := range f.Extents {
				dirs = append(dirs, disk.Span{Start: base + e.Sectors.Start, Count: e.Sectors.Count})
			}
		})
		if err != nil {
			continue // what cannot be read explains nothing
		}
	}
	out.own, out.dirs = disk.NewSpans(own...), disk.NewSpans(dirs...)
	return out, nil
}

// findMade finds the volumes that were made new.
func (w *work) findMade(c *FileChanges) {
	for _, v := range w.after.Survey.Volumes {
		old := w.before.Survey.Volume(v.Index)
		lost := 0
		for _, name := range c.Removed {
			if strings.HasPrefix(name, fmt.Sprintf("%d:", v.Index)) {
				lost++
			}
		}
		if old != nil && old.Span == v.Span && old.Kind == v.Kind && old.ID == v.ID && !w.remade(v) {
			continue
		}
		m := MadeVolume{Span: v.Span, Index: v.Index, Kind: v.Kind, Lost: lost}
		if f := openTraced(w.after)[v.Index]; f != nil {
			m.Maker = f.Maker()
		}
		w.out.Volumes = append(w.out.Volumes, m)
	}
}

// remade tells whether a volume with the same name and place was made new: it says
// that it was laid down in another way, or all files are gone and nothing of them is
// left in the root folder.
func (w *work) remade(v layout.Volume) bool {
	a, b := openTraced(w.before)[v.Index], openTraced(w.after)[v.Index]
	if a == nil || b == nil {
		return false
	}
	same, err := a.SameBuild(b)
	switch {
	case err != nil:
		return false
	case !same:
		return true
	}
	had, _ := entriesOf(a)
	has, deleted := entriesOf(b)
	kept := 0
	for name := range has {
		if had[name] {
			kept++
		}
	}
	return len(had) > 0 && kept == 0 && deleted == 0
}

// entriesOf lists the files and folders of a volume, and counts its deleted entries.
func entriesOf(v volume.Traced) (names map[string]bool, deleted int) {
	names = map[string]bool{}
	deleted, err := v.Entries(func(f *volume.File) {
		if f.Path != "." {
			names[f.Path] = true
		}
	})
	if err != nil {
		return map[string]bool{}, 0
	}
	return names, deleted
}

// judgeVolumes says who changed volumes: nobody but a mount, a desktop, or
// somebody who works with files.
func (w *work) judgeVolumes(before, after *listing) {
	c := &w.out.Files
	if len(c.Desktop) > 0 {
		w.desktop = true
	}
	names := len(c.Added) + len(c.Removed) + len(c.Changed)
	desktopFiles := 0
	for _, name := range c.Desktop {
		if !strings.HasSuffix(name, "/") {
			desktopFiles++
		}
	}
	own := disk.Spans{}
	rest := disk.Sector(0)
	for _, s := range w.inVolumes {
		own = own.Union(after.own.Within(s)).Union(before.own.Within(s))
		rest += w.notMount(s, after.dirs)
	}
	switch {
	case len(w.out.Volumes) > 0:
	case names == 0 && len(c.Desktop) == 0 && rest == 0 && w.sameEntries():
		w.mounted = true
	case w.desktop && names == desktopFiles && own.Sectors() == 0:
	case names == desktopFiles && w.traced() && (w.desktop || w.sameEntries()):
		w.content = true
	default:
		w.files = true
	}
	w.out.Unexplained = w.notByNames(before, after)
}

// traced tells whether all that changed inside volumes lies in such as keep traces of who
// worked on a file.
func (w *work) traced() bool {
	var in disk.Spans
	for i := range openTraced(w.before) {
		in = in.Union(disk.Spans{w.before.Survey.Volume(i).Span})
	}
	return !slices.ContainsFunc(w.inVolumes, func(s disk.Span) bool { return len(in.Outside(s)) > 0 })
}

// notByNames counts the changed sectors of volumes that files which came or went do not
// explain: neither theirs, nor folders, nor allocation tables, nor what a mount changes.
func (w *work) notByNames(before, after *listing) (n disk.Sector) {
	explained := before.dirs.Union(after.dirs)
	for _, name := range w.out.Files.Added {
		explained = explained.Union(disk.NewSpans(after.of[name]...))
	}
	for _, v := range w.before.Survey.Volumes {
		explained = explained.Union(v.PartsOf(layout.PartTable))
	}
	for _, s := range w.inVolumes {
		for _, rest := range explained.Outside(s) {
			n += w.notMount(rest, nil)
		}
	}
	return n
}

// sameEntries tells whether the entries of all volumes that keep such traces are the
// same, but for the day of the last access.
func (w *work) sameEntries() bool {
	after := openTraced(w.after)
	for i, a := range openTraced(w.before) {
		b := after[i]
		if b == nil {
			return false
		}
		was, is := map[string]string{}, 0
		if _, err := a.Entries(func(f *volume.File) { was[f.Path] = f.Entry }); err != nil {
			return false
		}
		same := true
		_, err := b.Entries(func(f *volume.File) {
			entry, there := was[f.Path]
			same = same && there && entry == f.Entry
			is++
		})
		if err != nil || !same || is != len(was) {
			return false
		}
	}
	return true
}

// notMount counts the changed sectors that a mount does not explain: neither
// folders nor fields that systems change when they mount.
func (w *work) notMount(s disk.Span, dirs disk.Spans) (n disk.Sector) {
	if s.Count > maxMounted {
		return s.Count
	}
	for x := s.Start; x < s.End(); x++ {
		if !dirs.Holds(x) && !w.onlyCounters(x) {
			n++
		}
	}
	return n
}

// maxMounted is how many sectors in one run a mount changes at most: by hand, no
// source.
const maxMounted = 64

// onlyCounters tells whether nothing but such fields changed in a sector.
func (w *work) onlyCounters(x disk.Sector) bool {
	was, err1 := image.ReadSector(w.before.Source, x)
	is, err2 := image.ReadSector(w.after.Source, x)
	if err1 != nil || err2 != nil {
		return false
	}
	for _, v := range w.before.Survey.Volumes {
		for _, c := range w.countersOf(v) {
			from := int64(v.Start)*w.size + c.At - int64(x)*w.size
			for i := max(0, from); i < min(w.size, from+c.Size); i++ {
				is[i] = was[i]
			}
		}
	}
	return bytes.Equal(was, is)
}

// countersOf lists the fields of a volume of the disk before that a mount changes.
func (w *work) countersOf(l layout.Volume) []volume.Counter {
	if have, asked := w.counters[l.Index]; asked || !l.Listed {
		return have
	}
	if w.counters == nil {
		w.counters = map[int][]volume.Counter{}
	}
	if v, err := scan.Open(w.before.Source, w.before.Survey, l.Index); err == nil {
		w.counters[l.Index] = v.Counters()
	}
	return w.counters[l.Index]
}

// openTraced opens the volumes of one side of which more is known than of others:
// who made them, and what was deleted.
func openTraced(d Side) map[int]volume.Traced {
	out := map[int]volume.Traced{}
	for _, index := range files.Volumes(d.Survey) {
		v, err := scan.Open(d.Source, d.Survey, index)
		if t, ok := v.(volume.Traced); ok && err == nil {
			out[index] = t
		}
	}
	return out
}
