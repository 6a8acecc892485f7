package fit

import (
	"fmt"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume/fat"
)

// maxNamed bounds how many files a refusal names.
const maxNamed = 5

// lostParts is what missing sectors of a FAT volume are for.
type lostParts struct {
	files, tables disk.Sector
	names         []string
	more          int // files that are not named
}

// retryText says where missing sectors may still be had.
func (p *planner) retryText() string {
	if p.w.Kit {
		return "a kit cannot be read again; another kit of the model, made from another unit, may have them"
	}
	return "capture --retry 3 asks the drive for them again; another capture of it, or another unit of the model, may have them"
}

// missingText says what missing sectors of a region are for, and where they may
// still be had.
func (p *planner) missingText(r layout.Region, gone disk.Spans) (string, error) {
	if r.Role != layout.RoleVolume {
		return ". " + p.retryText(), nil
	}
	for index, v := range p.s.FAT {
		l := p.s.Volume(index)
		if l == nil || !l.Overlaps(r.Span) || p.w.Volumes.Wish[index].Empty {
			continue
		}
		t, err := table(index, v)
		if err != nil {
			return "", err
		}
		lost := splitLost(v, t, l.Start, gone)
		text := ": " + lost.text(gone.Sectors())
		if lost.tables > 0 {
			text += ". " + p.retryText()
		}
		return text, nil
	}
	return "", nil
}

// splitLost divides missing disk sectors of a volume that begins at base.
func splitLost(v *fat.Volume, t *fat.Table, base disk.Sector, gone disk.Spans) (out lostParts) {
	hit := func(spans []disk.Span) (n disk.Sector) {
		for _, s := range spans {
			s.Start += base
			n += gone.Within(s).Sectors()
		}
		return n
	}
	out.tables = hit([]disk.Span{{Count: v.Cluster(2).Start}})
	v.Visit(t, fat.Visitor{
		Dir: func(_ uint32, ch fat.Chain) {
			if ch.Clusters > 0 {
				out.tables += hit(v.Extents(ch.Runs))
			}
		},
		File: func(f *fat.File) {
			if f.Dir {
				return
			}
			n := hit(f.Extents())
			out.files += n
			switch {
			case n == 0:
			case len(out.names) < maxNamed:
				out.names = append(out.names, "/"+f.Path)
			default:
				out.more++
			}
		},
	})
	return out
}

// text writes the parts for a person; all is how many sectors they are of.
func (l lostParts) text(all disk.Sector) string {
	var parts []string
	if l.files > 0 {
		names := strings.Join(l.names, ", ")
		if l.more > 0 {
			names += fmt.Sprintf(" and %s more", grouped(int64(l.more)))
		}
		parts = append(parts, fmt.Sprintf("%s in %s (%s)", grouped(int64(l.files)), disk.Counted(len(l.names)+l.more, "file"), names))
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
