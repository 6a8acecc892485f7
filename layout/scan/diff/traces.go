package diff

import (
	"context"
	"fmt"
	"path"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/files"
	"bootgraft/layout/volume"
)

// desktopNames are folders and files that desktops make on whatever they
// mount, in lower case. Common practice, no source.
var desktopNames = []string{
	"system volume information", "$recycle.bin", "recycler", "recycled", "found.000", "desktop.ini", "thumbs.db",
	"indexervolumeguid", "wpsettings.dat",
	".spotlight-v100", ".trashes", ".fseventsd", ".temporaryitems", ".ds_store", ".volumeicon.icns",
	".documentrevisions-v100", ".trash",
}

// isDesktopName tells whether a desktop made a file, by any part of its path.
func isDesktopName(name string) bool {
	return slices.ContainsFunc(strings.Split(strings.ToLower(name), "/"), func(part string) bool {
		return slices.Contains(desktopNames, part) || strings.HasPrefix(part, "._") || strings.HasPrefix(part, ".trash-")
	})
}

// Traces says what the given differences between a planned card and a real one look like:
// a new format, or what a system leaves behind when it mounts a card. It is an
// explanation only: what cannot be read explains nothing.
func Traces(ctx context.Context, want, have image.Source, differ disk.Spans) []string {
	w, err1 := scan.Run(ctx, &scan.Glance{Source: want}, scan.Options{Short: true})
	h, err2 := scan.Run(ctx, &scan.Glance{Source: have}, scan.Options{Short: true})
	if err1 != nil || err2 != nil {
		return nil
	}
	all, err := Compare(ctx, Side{Source: want, Survey: w}, Side{Source: have, Survey: h}, Options{Only: differ})
	if err != nil {
		return nil
	}
	if out := formatted(all); out != nil {
		return out
	}
	var out []string
	if n := newNames(w, want, h, have); n != "" {
		out = append(out, n)
	}
	for _, v := range w.Volumes {
		if o := h.Volume(v.Index); !v.Listed || o == nil || o.Start != v.Start || o.Kind != v.Kind {
			continue
		}
		c := counters(w, v, want, have)
		if n := readSince(v.Index, w, want, h, have); n > 0 {
			c = append(c, fmt.Sprintf("the day of the last access of %s", disk.Counted(n, "file")))
		}
		if len(c) > 0 {
			out = append(out, fmt.Sprintf("volume %d: changed as a system changes it when it mounts: %s", v.Index,
				strings.Join(c, ", ")))
		}
	}
	switch {
	case len(out) == 0:
	case all.mountAlone():
		out = append(out, "a system mounted this card after it was written, and that explains every difference. Write it "+
			"again, and pull it when it is told")
	case all.namesAlone():
		out = append(out, "files that came or went explain every difference")
	default:
		out = append(out, "that does not explain every difference")
	}
	return out
}

// mountAlone tells whether a system that mounted the disk explains all that differs.
func (r *Report) mountAlone() bool {
	return !slices.ContainsFunc(r.Kinds, func(k Kind) bool { return k != Mounted && k != Desktop })
}

// namesAlone tells whether files that came or went, and what a system changes with them,
// explain all that differs. What differs in a file of which the entry changed is nobody's to say.
func (r *Report) namesAlone() bool {
	return r.Unexplained == 0 && len(r.Files.Changed) == 0 &&
		!slices.ContainsFunc(r.Kinds, func(k Kind) bool { return k != Mounted && k != Desktop && k != Files })
}

// formatted says which volumes were made new, or that others stand on the disk; nothing if
// none was.
func formatted(r *Report) (out []string) {
	for _, v := range r.Volumes {
		out = append(out, fmt.Sprintf("volume %d: it was formatted: a new %s volume from sector %s on; files that "+
			"are gone: %s",
			v.Index, v.Kind, disk.Grouped(v.Start), disk.Grouped(v.Lost)))
	}
	if out == nil && slices.Contains(r.Kinds, NewFormat) {
		out = append(out, "the card has another layout now: its tables or its volumes were made new, or its boot "+
			"areas are others")
	}
	return out
}

// newNames names the folders and files of a desktop that the plan has not.
func newNames(w *layout.Map, want image.Source, h *layout.Map, have image.Source) string {
	planned := map[string]bool{}
	if eachName(w, want, func(name string) { planned[name] = true }) != nil {
		return ""
	}
	var desktop, others []string
	if eachName(h, have, func(name string) {
		switch {
		case planned[name]:
		case isDesktopName(name):
			desktop = append(desktop, name)
		default:
			others = append(others, name)
		}
	}) != nil {
		return ""
	}
	var parts []string
	if len(desktop) > 0 {
		parts = append(parts, "made by a desktop: "+someOf(desktop))
	}
	if len(others) > 0 {
		parts = append(parts, "new on the card: "+someOf(others))
	}
	return strings.Join(parts, "; ")
}

// someOf lists the first names.
func someOf(names []string) string {
	const most = 6
	if len(names) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most], ", "), len(names)-most)
	}
	return strings.Join(names, ", ")
}

// eachName calls visit for every file and every folder.
func eachName(m *layout.Map, src image.Source, visit func(name string)) error {
	for _, index := range files.Volumes(m) {
		if err := eachEntry(m, src, index, func(f *volume.File) {
			name := path.Join(fmt.Sprintf("volume %d", index), f.Path)
			switch {
			case f.Dir && f.Path != ".":
				visit(name + "/")
			case f.Regular:
				visit(name)
			}
		}); err != nil {
			return err
		}
	}
	return nil
}

// counters names the fields that a mount changes and that did change.
func counters(m *layout.Map, l layout.Volume, want, have image.Source) (out []string) {
	v, err := scan.Open(want, m, l.Index)
	if err != nil {
		return nil
	}
	for _, c := range v.Counters() {
		a, b := make([]byte, c.Size), make([]byte, c.Size)
		off := int64(l.Start)*int64(m.SectorSize) + c.At
		if image.ReadFull(want, a, off) == nil && image.ReadFull(have, b, off) == nil && string(a) != string(b) {
			out = append(out, c.Name)
		}
	}
	return out
}

// readSince counts the files and folders of a volume whose entries are of another
// day of access alone: a desktop that only looks into files, for their pictures or
// their names, changes nothing else.
func readSince(index int, w *layout.Map, want image.Source, h *layout.Map, have image.Source) (n int) {
	planned := map[string]volume.File{}
	if eachEntry(w, want, index, func(f *volume.File) {
		planned[f.Path] = volume.File{Entry: f.Entry,
			Accessed: f.Accessed}
	}) != nil {
		return 0
	}
	if eachEntry(h, have, index, func(f *volume.File) {
		p, known := planned[f.Path]
		if known && f.Entry != "" && f.Entry == p.Entry && !f.Accessed.Equal(p.Accessed) {
			n++
		}
	}) != nil {
		return 0
	}
	return n
}

// eachEntry calls visit for every file and folder of a volume.
func eachEntry(m *layout.Map, src image.Source, index int, visit func(*volume.File)) error {
	v, err := scan.Open(src, m, index)
	if err != nil {
		return err
	}
	_, err = v.Files(volume.Options{}, func(f *volume.File) error { visit(f); return nil })
	return err
}
