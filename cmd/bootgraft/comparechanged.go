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
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
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
	page.Changed(u, f.before, f.after, r, d)
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

// differingFiles lists the files that differ, if a volume does.
func (f *compareFlags) differingFiles(ctx context.Context, before, after diff.Disk, r *diff.Report) (*page.FileChanges, error) {
	out := &page.FileChanges{Added: []string{}, Removed: []string{}, Changed: []string{}}
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
	Files    *page.FileChanges   `json:"files"`
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

func (f *compareFlags) changedJSON(r *diff.Report, d *page.FileChanges) changedJSON {
	j := changedJSON{Schema: schema, Before: f.before, After: f.after, Sectors: r.Sectors, Compared: r.Compared, Changed: r.Changed, Kinds: r.Kinds, Files: d}
	for _, k := range r.Kinds {
		j.Text = append(j.Text, page.KindTexts[k])
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
