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
	"bootgraft/layout/volume/fat"
)

// desktopNames are folders and files that desktops make on whatever they
// mount, in lower case. Common practice, no source.
var desktopNames = []string{
	"system volume information", "$recycle.bin", "recycler", "recycled", "found.000", "desktop.ini", "thumbs.db", "indexervolumeguid", "wpsettings.dat",
	".spotlight-v100", ".trashes", ".fseventsd", ".temporaryitems", ".ds_store", ".volumeicon.icns", ".documentrevisions-v100", ".trash",
}

// isDesktopName tells whether a desktop made a file, by any part of its path.
func isDesktopName(name string) bool {
	return slices.ContainsFunc(strings.Split(strings.ToLower(name), "/"), func(part string) bool {
		return slices.Contains(desktopNames, part) || strings.HasPrefix(part, "._") || strings.HasPrefix(part, ".trash-")
	})
}

// Traces says which differences between a planned card and a real one look
// like what a system leaves behind when it mounts a card. It is an explanation
// only: what cannot be read explains nothing.
func Traces(ctx context.Context, want, have image.Source) []string {
	w, err1 := scan.Run(ctx, &scan.Glance{Source: want}, scan.Options{Short: true})
	h, err2 := scan.Run(ctx, &scan.Glance{Source: have}, scan.Options{Short: true})
	if err1 != nil || err2 != nil {
		return nil
	}
	var out []string
	if n := newNames(ctx, w, want, h, have); n != "" {
		out = append(out, n)
	}
	for _, v := range w.Volumes {
		if o := h.Volume(v.Index); o == nil || o.Start != v.Start || o.Kind != v.Kind {
			continue
		}
		c := counters(w, v, want, have)
		if n := readSince(w.FAT[v.Index], h.FAT[v.Index]); n > 0 {
			c = append(c, fmt.Sprintf("the day of the last access of %s", disk.Counted(n, "file")))
		}
		if len(c) > 0 {
			out = append(out, fmt.Sprintf("volume %d: changed as a system changes it when it mounts: %s", v.Index, strings.Join(c, ", ")))
		}
	}
	if len(out) > 0 {
		out = append(out, "a system mounted this card after it was written. Write it again, and pull it when it is told")
	}
	return out
}

// newNames names the folders and files of a desktop that the plan has not.
func newNames(ctx context.Context, w *scan.Survey, want image.Source, h *scan.Survey, have image.Source) string {
	planned := map[string]bool{}
	if eachName(ctx, w, want, func(name string) { planned[name] = true }) != nil {
		return ""
	}
	var desktop, others []string
	if eachName(ctx, h, have, func(name string) {
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

// eachName calls visit for every file, and every folder of a FAT volume.
func eachName(ctx context.Context, s *scan.Survey, src image.Source, visit func(name string)) error {
	for i, v := range s.FAT {
		if err := eachEntry(v, func(f *fat.File) {
			if f.Dir {
				visit(fmt.Sprintf("volume %d/%s/", i, f.Path))
			}
		}); err != nil {
			return err
		}
	}
	_, err := files.Walk(ctx, &scan.Glance{Source: src}, s, files.Options{}, func(f *files.File) error {
		visit(path.Join(fmt.Sprintf("volume %d", f.Volume), f.Path))
		return nil
	})
	return err
}

// counter is a field of a volume that systems change when they mount it.
type counter struct {
	name     string
	at, size int64 // bytes, from the start of the volume
}

// counters names the fields that a mount changes and that did change.
func counters(s *scan.Survey, v layout.Volume, want, have image.Source) (out []string) {
	for _, c := range countersOf(s, v) {
		a, b := make([]byte, c.size), make([]byte, c.size)
		off := int64(v.Start)*int64(s.SectorSize) + c.at
		if image.ReadFull(want, a, off) == nil && image.ReadFull(have, b, off) == nil && string(a) != string(b) {
			out = append(out, c.name)
		}
	}
	return out
}

// readSince counts the files and folders of a FAT volume whose entries are of
// another day of access alone: a desktop that only looks into files, for their
// pictures or their names, changes nothing else.
func readSince(want, have *fat.Volume) (n int) {
	planned := map[string]fat.Raw{}
	if eachEntry(want, func(f *fat.File) { planned[f.Path] = f.Raw }) != nil {
		return 0
	}
	if eachEntry(have, func(f *fat.File) {
		p, known := planned[f.Path]
		q := f.Raw
		day := q.Accessed()
		copy(q[18:20], p[18:20]) // the day; everything else has to be the same
		if known && q == p && !day.Equal(p.Accessed()) {
			n++
		}
	}) != nil {
		return 0
	}
	return n
}

// eachEntry calls visit for every file and folder of a FAT volume; nil is one
// without any.
func eachEntry(v *fat.Volume, visit func(*fat.File)) error {
	if v == nil {
		return nil
	}
	t, err := v.ActiveTable()
	if err != nil {
		return err
	}
	for f := range v.NewWalk(t, fat.WalkOptions{}).Files() {
		visit(f)
	}
	return nil
}

// fatCounters: Microsoft FAT: General Overview of On-Disk Format v1.03, "FAT
// Volume Initialization" (entry 1) and "FAT32 FSInfo Sector Structure"; the
// state flag of the boot sector is common practice, no source.
func fatCounters(f *fat.Volume) []counter {
	size := int64(f.Source().SectorSize())
	entry := int64(f.TableSpan(0).Start) * size
	switch f.Kind {
	case fat.FAT32:
		return []counter{
			{"the state flag of its boot sector", 0x41, 1}, {"the state bits of its first FAT", entry + 4, 4},
			{"the counters of its FSInfo", int64(f.BPB.FSInfoSector)*size + 488, 8},
		}
	case fat.FAT16:
		return []counter{{"the state flag of its boot sector", 0x25, 1}, {"the state bits of its first FAT", entry + 2, 2}}
	}
	return []counter{{"the state flag of its boot sector", 0x25, 1}}
}

// extCounters: The Linux kernel documentation, "ext4 Data Structures and
// Algorithms", "Super Block"; the superblock is at byte 1024.
var extCounters = []counter{
	{"the time of its last mount", 1024 + 0x2C, 4}, {"the time of its last write", 1024 + 0x30, 4},
	{"its mount count", 1024 + 0x34, 2}, {"its state", 1024 + 0x3A, 2}, {"the folder that it was last mounted on", 1024 + 0x88, 64},
	{"the kilobytes ever written to it", 1024 + 0x178, 8},
}
