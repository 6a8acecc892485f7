package gather

import (
	"cmp"
	"context"
	"encoding/hex"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/link"
	"bootgraft/layout/volume/fat"
)

// Linked lists the files of FAT volumes that boot code names by their sectors, with
// their directory entries. A file whose chain is not whole is none of them: nobody can
// keep it.
func Linked(ctx context.Context, src image.Source, m *layout.Map) ([]kit.Linked, error) {
	found, err := link.Find(ctx, src, m)
	if err != nil {
		return nil, err
	}
	named := map[int]map[string]bool{}
	for _, l := range found.Links {
		if t := l.Target; t.Path != "" && l.Lost == "" {
			if named[t.Volume] == nil {
				named[t.Volume] = map[string]bool{}
			}
			named[t.Volume][t.Path] = true
		}
	}
	var out []kit.Linked
	for _, l := range m.Volumes {
		if named[l.Index] == nil {
			continue
		}
		v, err := scan.Open(src, m, l.Index)
		if err != nil {
			return nil, err
		}
		f, isFAT := v.(*fat.Volume)
		if !isFAT {
			continue
		}
		list, err := linkedIn(f, l, named[l.Index])
		if err != nil {
			return nil, err
		}
		out = append(out, list...)
	}
	return out[:min(len(out), kit.MaxFacts)], nil
}

// linkedIn lists those of one volume, in the order of their entries.
func linkedIn(v *fat.Volume, l layout.Volume, named map[string]bool) (out []kit.Linked, err error) {
	t, err := v.ActiveTable()
	if err != nil {
		return nil, err
	}
	v.Visit(t, fat.Visitor{File: func(f *fat.File) {
		if f.Dir || !named[f.Path] || f.Chain.Ends != fat.EndsWell || f.Chain.Clusters == 0 {
			return
		}
		k := kit.Linked{Volume: l.Index, Entry: hex.EncodeToString(f.Raw[:])}
		for _, s := range v.Extents(f.Chain.Runs) {
			k.Extents = append(k.Extents, disk.Span{Start: l.Start + s.Start, Count: s.Count})
		}
		out = append(out, k)
	}})
	return out, nil
}

// linkedAreas are the sectors of files that boot code names.
func linkedAreas(all []kit.Linked) (out []Area) {
	for _, l := range all {
		for _, s := range l.Extents {
			out = append(out, Area{Span: s, from: layout.InsideVolume,
				what: "a file that boot code names, of the volume in " + entryWords(l.Volume)})
		}
	}
	slices.SortFunc(out, func(a, b Area) int { return cmp.Compare(a.Start, b.Start) })
	return out
}

// takeLinked says which files boot code names, and takes out what lies behind their ends
// in their last clusters: that is of other files.
func (m *Made) takeLinked(opt Options) error {
	if len(opt.Linked) == 0 {
		return nil
	}
	var sectors disk.Sector
	for _, l := range opt.Linked {
		k := l
		if !opt.WithLoader {
			k.Entry = ""
		} else if err := m.blankRest(l); err != nil {
			return err
		}
		for _, s := range l.Extents {
			sectors += s.Count
		}
		m.Facts.Linked = append(m.Facts.Linked, k)
	}
	number := disk.Counted(len(opt.Linked), "file")
	if opt.WithLoader {
		m.Findings = append(m.Findings, disk.Notef(disk.LoaderInKit, opt.Linked[0].Extents[0].Start,
			"the kit holds the %s that boot code names by their sectors, with their names: %s. A volume that is "+
				"made empty from "+
				"it keeps them", number, disk.Counted(sectors, "sector")))
		return nil
	}
	m.Findings = append(m.Findings, disk.Warningf(disk.LoaderNotInKit, opt.Linked[0].Extents[0].Start,
		"boot code names the %s by their sectors, and they are not in the kit: a card from it does not start through them. "+
			"--with-loader takes them up", number))
	return nil
}

// blankRest overwrites what lies in the clusters of a file behind its end.
func (m *Made) blankRest(l kit.Linked) error {
	b, err := hex.DecodeString(l.Entry)
	if err != nil || len(b) != fat.EntrySize {
		return fmt.Errorf("the directory entry of a linked file: %q", l.Entry)
	}
	raw := fat.Raw(b)
	left := raw.Size()
	for _, s := range l.Extents {
		for x := s.Start; x < s.End(); x++ {
			have := min(left, int64(m.SectorSize))
			left -= have
			if have < int64(m.SectorSize) {
				m.Patches = append(m.Patches, kit.Patch{Sector: x, Offset: int(have), Bytes: make([]byte, m.SectorSize-int(have)),
					What: "what lies behind the end of a file"})
			}
		}
	}
	return nil
}
