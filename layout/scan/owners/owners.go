// Package owners names who owns the sectors of a disk, finer than a Map does: boot
// sectors of volumes, and files. With it a list of reads becomes a story.
package owners

import (
	"context"
	"fmt"
	"slices"
	"sort"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/files"
)

// Kind says what an owner is.
type Kind string

// The kinds of owners.
const (
	Table   Kind = "table"
	Boot    Kind = "boot"   // boot code, or the boot sector of a volume
	Outside Kind = "area"   // a gap, the tail, what nobody knows
	Inside  Kind = "volume" // of a volume, and of no file
	File    Kind = "file"
)

// Owner owns sectors side by side.
type Owner struct {
	disk.Span
	Kind Kind
	Name string // such as "partition table", "boot sector of volume 1", "volume 1: SYSTEM/KERNEL.BIN"
}

// Owners are all owners of a disk, in ascending order; they tile it.
type Owners struct {
	list []Owner
	used []Owner // outside the volumes, or a boot sector, and not blank
}

// Of lists the owners of a disk that was surveyed.
func Of(ctx context.Context, src image.Source, s *layout.Map) (*Owners, error) {
	var found []Owner
	if _, err := files.Walk(ctx, src, s, files.Options{}, func(f *files.File) error {
		for _, e := range f.Extents {
			found = append(found, Owner{e.Stored, File, fmt.Sprintf("%s: %s", layout.VolumeName(f.Volume), f.Path)})
		}
		return nil
	}); err != nil {
		return nil, err
	}
	slices.SortFunc(found, func(a, b Owner) int { return int(a.Start - b.Start) })
	o := &Owners{}
	for _, r := range s.Regions {
		o.region(s, r, found)
	}
	return o, nil
}

// region adds the owners of one region; files are those of the whole disk.
func (o *Owners) region(m *layout.Map, r layout.Region, found []Owner) {
	if r.Role != layout.RoleVolume {
		one := Owner{r.Span, Outside, r.Name}
		switch r.Role {
		case layout.RoleTable:
			one.Kind = Table
		case layout.RoleBootCode:
			one.Kind = Boot
		}
		o.list = append(o.list, one)
		if r.Content.NonBlank > 0 {
			o.used = append(o.used, one)
		}
		return
	}
	name, at := r.Name, r.Start
	if i := slices.IndexFunc(m.Volumes, func(v layout.Volume) bool { return v.Start == r.Start }); i >= 0 {
		name = layout.VolumeName(m.Volumes[i].Index)
		boot := Owner{disk.Span{Start: at, Count: 1}, Boot, "boot sector of " + name}
		o.list, o.used = append(o.list, boot), append(o.used, boot)
		at++
	}
	i := sort.Search(len(found), func(i int) bool { return found[i].Start >= at })
	for ; i < len(found) && found[i].Start < r.End(); i++ {
		f := found[i]
		// Two files may claim the same sectors: the first one in the order of the disk has them.
		f.Span = disk.Between(max(f.Start, at), min(f.End(), r.End()))
		if f.Empty() {
			continue
		}
		if f.Start > at {
			o.list = append(o.list, Owner{disk.Between(at, f.Start), Inside, name})
		}
		o.list = append(o.list, f)
		at = f.End()
	}
	if at < r.End() {
		o.list = append(o.list, Owner{disk.Between(at, r.End()), Inside, name})
	}
}

// Visit is a stretch of a story: sectors of one owner that were read one after
// the other.
type Visit struct {
	Owner
	First, Last disk.Sector // that were read, the lowest and the highest
	Sectors     disk.Sector // read, each as often as it was
}

// Story tells runs of reads by owner, in order. It has at most most visits; more
// tells how many it leaves out before the last one, which is where reading ended.
func (o *Owners) Story(runs []disk.Span, most int) (story []Visit, more int) {
	var last *Visit
	for _, r := range runs {
		for _, part := range o.parts(r) {
			if last != nil && last.Name == part.Name {
				last.First, last.Last = min(last.First, part.First), max(last.Last, part.Last)
				last.Sectors += part.Sectors
				continue
			}
			switch {
			case len(story) < most:
				story = append(story, part)
			default:
				story[most-1] = part
				more++
			}
			last = &story[len(story)-1]
		}
	}
	return story, more
}

// Each tells every run of reads in order, cut at the borders of owners.
func (o *Owners) Each(runs []disk.Span, tell func(s disk.Span, by Owner) error) error {
	for _, r := range runs {
		for _, v := range o.parts(r) {
			if err := tell(disk.Between(v.First, v.Last+1), v.Owner); err != nil {
				return err
			}
		}
	}
	return nil
}

// parts cuts a run at the borders of owners.
func (o *Owners) parts(r disk.Span) (out []Visit) {
	i := sort.Search(len(o.list), func(i int) bool { return o.list[i].End() > r.Start })
	for ; i < len(o.list) && o.list[i].Start < r.End(); i++ {
		s := o.list[i].Common(r)
		out = append(out, Visit{o.list[i], s.Start, s.End() - 1, s.Count})
	}
	return out
}

// Never returns who is outside the volumes, or a boot sector, has content, and was
// not read at all.
func (o *Owners) Never(runs []disk.Span) (out []Owner) {
	read := disk.NewSpans(runs...)
	for _, u := range o.used {
		if len(read.Within(u.Span)) == 0 {
			out = append(out, u)
		}
	}
	return out
}
