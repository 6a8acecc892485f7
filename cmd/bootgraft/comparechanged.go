package main

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/diff"
	"bootgraft/layout/scan/files"
)

// changed says what a device did to a card.
func (f *compareFlags) changed(c *cobra.Command, u *talk.UI) error {
	before, err := f.openBefore()
	if err != nil {
		return err
	}
	defer before.Close()
	after, err := input.OpenSource(f.after, f.sourceFlags(before.SectorSize()))
	if err != nil {
		return err
	}
	defer after.Close()
	before.SayDamage(u)
	after.SayDamage(u)
	was, err := runSurvey(c, u, before)
	if err != nil {
		return err
	}
	is, err := runSurvey(c, u, after)
	if err != nil {
		return err
	}
	progress, finish := u.Bar("comparing")
	size := int64(before.SectorSize())
	r, err := diff.Compare(c.Context(), diff.Disk{Source: before, Survey: was}, diff.Disk{Source: after, Survey: is},
		diff.Options{Progress: func(done, total disk.Sector) { progress(int64(done)*size, int64(total)*size) }})
	finish()
	var sizes *diff.SizeError
	if errors.As(err, &sizes) {
		return talk.Refusef("%w. Read the whole card back into an image", err)
	}
	if err != nil {
		return err
	}
	d, err := f.differingFiles(c.Context(), diff.Disk{Source: before, Survey: was}, diff.Disk{Source: after, Survey: is}, r)
	if err != nil {
		return err
	}
	if u.JSON {
		return u.Object(document.KindChanged, f.changedJSON(r, d))
	}
	showChanged(u, f, r, d)
	return nil
}

// openBefore opens the planned card, or an image.
func (f *compareFlags) openBefore() (*input.Source, error) {
	if !input.IsPlanFile(f.before) {
		if f.source != "" {
			return nil, talk.Usagef("--source goes with --before PLAN, and %s is no plan", f.before)
		}
		return input.OpenSource(f.before, f.sourceFlags(f.sectorSize))
	}
	j, err := input.OpenJob(f.before, input.PlanSourceFlags{Source: f.source, Accept: f.accept, Command: f.command, Bar: f.bar})
	if err != nil {
		return nil, err
	}
	return &input.Source{Source: j.Card, Path: f.before, Files: j.Files, Close: func() error { j.Close(); return nil }}, nil
}

// fileChanges are the files of which name, size or time differ.
type fileChanges struct {
	Added   []string `json:"added"`
	Removed []string `json:"removed"`
	Changed []string `json:"changed"`
}

// differingFiles lists the files that differ, if a volume does.
func (f *compareFlags) differingFiles(ctx context.Context, before, after diff.Disk, r *diff.Report) (*fileChanges, error) {
	out := &fileChanges{[]string{}, []string{}, []string{}}
	if !slices.Contains(r.Kinds, diff.Files) {
		return out, nil
	}
	was, err := listFiles(ctx, before)
	if err != nil {
		return nil, err
	}
	is, err := listFiles(ctx, after)
	if err != nil {
		return nil, err
	}
	for name, stamp := range is {
		old, there := was[name]
		switch {
		case !there:
			out.Added = append(out.Added, name)
		case old != stamp:
			out.Changed = append(out.Changed, name)
		}
	}
	for name := range was {
		if _, there := is[name]; !there {
			out.Removed = append(out.Removed, name)
		}
	}
	slices.Sort(out.Added)
	slices.Sort(out.Removed)
	slices.Sort(out.Changed)
	return out, nil
}

// fileStamp is what a directory says of a file.
type fileStamp struct {
	size     int64
	modified time.Time
}

func listFiles(ctx context.Context, d diff.Disk) (map[string]fileStamp, error) {
	out := map[string]fileStamp{}
	_, err := files.Walk(ctx, d.Source, d.Survey, files.Options{}, func(f *files.File) error {
		out[fmt.Sprintf("%d:%s", f.Volume, f.Path)] = fileStamp{f.Size, f.Modified}
		return nil
	})
	return out, err
}

// kindTexts say what a device did, and what to do now.
var kindTexts = map[diff.Kind]string{
	diff.Untouched:    "Not one of the compared sectors differs. The device probably never reached the card: look at the adapter, at master and slave, at the transfer mode (DMA), at the mark of a fixed disk that a card may not have, and at power. If it started all the same, it writes nothing at start.",
	diff.Counted:      "A few bytes of the boot areas changed: a counter, a clock or a note. The device started, or began to, and took the layout for its own so far.",
	diff.Files:        "A volume changed inside: files were added, changed or removed. The device found its volume and works with it.",
	diff.TailFromHead: "Sectors of the tail now hold what the head held: the copies disagreed, and the device believes the head. The next plan has to carry the same in both; compare several originals and plan with --rules.",
	diff.HeadFromTail: "Sectors of the head now hold what the tail held: the copies disagreed, and the device believes the tail. Whatever is changed in the head alone will be undone like this; compare several originals and plan with --rules.",
	diff.Rewritten:    "The boot areas changed in more than a few bytes, and not from each other. The device has worked on them: compare it with the originals of other sizes to see what it wrote.",
	diff.NewFormat:    "The device did not know the layout, or did not like it, and made its own. Keep this image: it shows what the device wants for this size, and is an original to compare with the others. Never let it do so on the old drive.",
}

func showChanged(u *talk.UI, f *compareFlags, r *diff.Report, d *fileChanges) {
	u.Answerf("before: %s\nafter:  %s\n%s\n", f.before, f.after, disk.Counted(r.Sectors, "sector"))
	u.Answerf("%s compared, %s of them different\n\n", disk.Counted(r.Compared, "sector"), disk.Grouped(r.Changed))
	u.Answerf("%15s %15s  %-9s %s\n", "first sector", "sectors", "role", "what happened")
	for i := range r.Regions {
		if enough(u, i, len(r.Regions)) {
			break
		}
		showChangedRegion(u, &r.Regions[i])
	}
	u.Answerf("\n")
	for _, k := range r.Kinds {
		u.Wrapped("  ", kindTexts[k])
	}
	for _, x := range []struct {
		word  string
		names []string
	}{{"added", d.Added}, {"removed", d.Removed}, {"changed", d.Changed}} {
		for i, name := range x.names {
			if enough(u, i, len(x.names)) {
				break
			}
			u.Answerf("  %-8s %s\n", x.word, words.Printable(name))
		}
	}
}

func showChangedRegion(u *talk.UI, r *diff.Region) {
	text := r.Name + ": "
	switch {
	case r.Unknown == r.Count:
		text += "not known, so not compared"
	case r.Changed == 0:
		text += "untouched"
	case r.Changed == 1:
		text += fmt.Sprintf("%s of sector %d changed", disk.Counted(r.Bytes, "byte"), r.First)
	default:
		text += fmt.Sprintf("%s in %s changed, %d to %d", disk.Counted(r.Bytes, "byte"), disk.Counted(r.Changed, "sector"), r.First, r.Last)
	}
	if r.Restored > 0 {
		text += fmt.Sprintf("; %s of these sectors now as the other end of the disk", disk.Grouped(r.Restored))
	}
	if r.Unknown > 0 && r.Unknown < r.Count {
		text += fmt.Sprintf("; %s not known, so not compared", disk.Grouped(r.Unknown))
	}
	u.Wrapped(fmt.Sprintf("%15s %15s  %-9s ", disk.Grouped(r.Start), disk.Grouped(r.Count), r.Role), text)
	if r.Role == layout.RoleVolume {
		return
	}
	for _, n := range r.Numbers {
		u.Wrapped(fmt.Sprintf("%43s", ""), fmt.Sprintf("sector %d, byte %d: %x -> %x", n.Sector, n.Byte, n.Was, n.Is))
	}
}

type changedJSON struct {
	Schema   int                 `json:"schema"`
	Before   string              `json:"before"`
	After    string              `json:"after"`
	Sectors  disk.Sector         `json:"sectors"`
	Compared disk.Sector         `json:"compared_sectors"`
	Changed  disk.Sector         `json:"changed_sectors"`
	Kinds    []diff.Kind         `json:"kinds"`
	Text     []string            `json:"text"`
	Regions  []changedRegionJSON `json:"regions"`
	Files    *fileChanges        `json:"files"`
}

type changedRegionJSON struct {
	disk.Span
	Role     layout.Role         `json:"role"`
	Name     string              `json:"name"`
	Changed  disk.Sector         `json:"changed_sectors"`
	Bytes    int64               `json:"changed_bytes"`
	Unknown  disk.Sector         `json:"not_compared_sectors"`
	Restored disk.Sector         `json:"from_other_end_sectors"`
	Numbers  []changedNumberJSON `json:"changes"`
}

type changedNumberJSON struct {
	Sector disk.Sector `json:"sector"`
	Offset int         `json:"offset"`
	Was    string      `json:"was"`
	Is     string      `json:"is"`
}

func (f *compareFlags) changedJSON(r *diff.Report, d *fileChanges) changedJSON {
	j := changedJSON{Schema: schema, Before: f.before, After: f.after, Sectors: r.Sectors, Compared: r.Compared, Changed: r.Changed, Kinds: r.Kinds, Files: d}
	for _, k := range r.Kinds {
		j.Text = append(j.Text, kindTexts[k])
	}
	for _, g := range r.Regions {
		x := changedRegionJSON{g.Span, g.Role, g.Name, g.Changed, g.Bytes, g.Unknown, g.Restored, []changedNumberJSON{}}
		for _, n := range g.Numbers {
			x.Numbers = append(x.Numbers, changedNumberJSON{n.Sector, n.Byte, hex.EncodeToString(n.Was), hex.EncodeToString(n.Is)})
		}
		j.Regions = append(j.Regions, x)
	}
	return j
}
