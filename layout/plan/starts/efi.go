package starts

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/scan/files"
)

// efi follows the path that firmware takes on removable media: \EFI\BOOT\BOOT, the
// machine's short name, .EFI (UEFI Specification 2.10, section 3.5.1.1).
func (j *judge) efi() error {
	programs, err := j.programs(j.src, j.m)
	if err != nil || len(programs) == 0 {
		return err
	}
	now, err := j.programs(j.card.Known(), j.now)
	if err != nil {
		return err
	}
	w := Way{Method: EFIFallback}
	for _, p := range programs {
		w.Entry = p.volume
		i := slices.IndexFunc(now, func(o program) bool { return o.volume == p.volume && strings.EqualFold(o.path, p.path) })
		name := fmt.Sprintf("%s: %s", layout.VolumeName(p.volume), p.path)
		switch {
		case i < 0:
			w.Broken = append(w.Broken, fmt.Sprintf("firmware opens %s, and it is not on the card", name))
			j.out.Gone = append(j.out.Gone, Gone{p.volume, p.path, "firmware opens " + name})
		case p.lost:
			w.Cannot = append(w.Cannot, name+" is not whole: sectors of it are not known")
		case now[i].lost || now[i].size != p.size || now[i].digest != p.digest:
			w.Broken = append(w.Broken, fmt.Sprintf("%s has other bytes on the card", name))
		default:
			said := "firmware opens " + name + ": the same bytes"
			if n := now[i].pieces; n > 1 {
				said += fmt.Sprintf(", in %d pieces, which it reads as the volume lists them", n)
			}
			w.Chain = append(w.Chain, said)
		}
	}
	if j.m.Table != j.now.Table {
		w.Broken = append(w.Broken, fmt.Sprintf("the table in force is of kind %s on the card, and was of kind %s",
			j.now.Table, j.m.Table))
	}
	j.emptied(&w, map[int]bool{w.Entry: true})
	j.out.Ways = append(j.out.Ways, w)
	return nil
}

// program is one that firmware opens by its name.
type program struct {
	volume int
	path   string
	size   int64
	pieces int // in which it lies
	digest [32]byte
	lost   bool
}

// maxProgram bounds how long such a program may be. By hand, no source.
const maxProgram = 64 << 20

func (j *judge) programs(src image.Source, m *layout.Map) (out []program, err error) {
	fat := slices.ContainsFunc(m.Volumes, func(v layout.Volume) bool { return strings.HasPrefix(v.Kind, "fat") })
	if !fat {
		return nil, nil
	}
	_, err = files.Walk(j.ctx, src, m, files.Options{}, func(f *files.File) error {
		path := strings.ToUpper(f.Path)
		v := m.Volume(f.Volume)
		if v == nil || !strings.HasPrefix(v.Kind, "fat") || !strings.HasPrefix(path, "EFI/BOOT/BOOT") ||
			!strings.HasSuffix(path, ".EFI") || strings.Count(path, "/") != 2 {
			return nil
		}
		p := program{volume: f.Volume, path: f.Path, size: f.Size, pieces: pieces(f),
			lost: f.Fault != nil || len(f.Missing) > 0 || f.Size > maxProgram}
		if !p.lost {
			p.digest, err = digest(f)
			if err != nil {
				return err
			}
		}
		out = append(out, p)
		return nil
	})
	return out, err
}
