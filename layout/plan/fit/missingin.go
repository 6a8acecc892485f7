package fit

import (
	"fmt"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume"
)

// maxNamed bounds how many files a refusal names: by hand, no source.
const maxNamed = 5

// lostParts is what missing sectors of a FAT volume are for.
type lostParts struct {
	files, tables disk.Sector
	names         []string
	more          int // files that are not named
}

// retryText says where missing sectors may still be had.
func (p *given) retryText() string {
	if p.w.Kit {
		return "a kit cannot be read again; another kit of the model, made from another unit, may have them"
	}
	return "capture --retry 3 asks the drive for them again; another capture of it, or another unit of the model, may " +
		"have them"
}

// donorText says how another unit gives boot sectors; what is inside a volume is its own.
func (p *given) donorText(gone disk.Spans) string {
	if p.w.Kit {
		return ""
	}
	return fmt.Sprintf(": bootgraft capture --merge IMAGE OTHER --other-drive %s -o both.img, where OTHER is its "+
		"capture, image or kit",
		disk.Between(gone[0].Start, gone[len(gone)-1].End()))
}

// missingText says what missing sectors of a region are for, and where they may
// still be had.
func (p *given) missingText(r layout.Region, gone disk.Spans) (string, error) {
	if r.Role != layout.RoleVolume {
		return ". " + p.retryText() + p.donorText(gone), nil
	}
	for _, l := range p.s.Volumes {
		if !l.Listed || !l.Overlaps(r.Span) || p.w.Volumes.Wish[l.Index].Empty {
			continue
		}
		v, err := scan.Open(p.src, p.s, l.Index)
		if err != nil {
			return "", err
		}
		lost, err := splitLost(v, &l, gone)
		if err != nil {
			return "", err
		}
		text := ": " + lost.text(gone.Sectors())
		if lost.tables > 0 {
			text += ". " + p.retryText()
		}
		return text, nil
	}
	return "", nil
}

// splitLost divides missing disk sectors of a volume.
func splitLost(v volume.Volume, l *layout.Volume, gone disk.Spans) (out lostParts, err error) {
	hit := func(s disk.Span) disk.Sector { return gone.Within(s).Sectors() }
	data := l.PartsOf(layout.PartData)
	for _, d := range data {
		out.tables += hit(disk.Between(l.Start, d.Start))
	}
	_, err = v.Files(volume.Options{}, func(f *volume.File) error {
		var n disk.Sector
		for _, e := range f.Extents {
			n += hit(disk.Span{Start: l.Start + e.Sectors.Start, Count: e.Sectors.Count})
		}
		switch {
		case f.Dir:
			out.tables += n
		case n == 0:
		case len(out.names) < maxNamed:
			out.names = append(out.names, "/"+f.Path)
		default:
			out.more++
		}
		if !f.Dir {
			out.files += n
		}
		return nil
	})
	return out, err
}

// text writes the parts for a person; all is how many sectors they are of.
func (l lostParts) text(all disk.Sector) string {
	var parts []string
	if l.files > 0 {
		names := strings.Join(l.names, ", ")
		if l.more > 0 {
			names += fmt.Sprintf(" and %s more", grouped(int64(l.more)))
		}
		parts = append(parts, fmt.Sprintf("%s in %s (%s)", grouped(int64(l.files)), disk.Counted(len(l.names)+l.more, "file"),
			names))
	}
	if l.tables > 0 {
		parts = append(parts, grouped(int64(l.tables))+" in its tables and folders")
	}
	if rest := all - l.files - l.tables; rest > 0 {
		none := " in no file"
		if l.tables > 0 {
			none = " in no file that what is known of the folders names"
		}
		parts = append(parts, grouped(int64(rest))+none)
	}
	return strings.Join(parts, ", ")
}
