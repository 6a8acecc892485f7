package starts

import (
	"fmt"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/files"
	"bootgraft/layout/scan/link"
)

// Gone is a file that is started by its name and that the card does not have.
type Gone struct {
	Volume int
	Path   string
	By     string // what looks for it, for a person
}

// named follows the names that stand in the boot code of a way's volumes: each file must
// be on the card, and in one piece where it was in one piece. Code that nothing binds to a
// volume may start the boot code of any: of those only what becomes worse is told.
func (j *judge) named(w *Way, volumes map[int]bool) error {
	var wanted []link.Named
	anywhere := w.Entry == 0 && (w.Method == GPT || w.Method == BootCode)
	for _, n := range j.found.Named {
		if volumes[n.Volume] || anywhere {
			wanted = append(wanted, n)
		}
	}
	if len(wanted) == 0 {
		return nil
	}
	now := map[string]int{} // pieces, by volume and path
	_, err := files.Walk(j.ctx, j.card.Known(), j.now, files.Options{}, func(f *files.File) error {
		now[namedKey(f.Volume, f.Path)] = pieces(f)
		return nil
	})
	if err != nil {
		return err
	}
	for _, n := range wanted {
		by := fmt.Sprintf("the boot code of %s looks by its name for %s", layout.VolumeName(n.Volume), n.Path)
		sure := volumes[n.Volume]
		if !sure {
			by = "if that is what starts: " + by
		}
		switch count, there := now[namedKey(n.Volume, n.Path)]; {
		case !there && !sure:
			w.Cannot = append(w.Cannot, by+", and it is not on the card")
		case !there:
			w.Broken = append(w.Broken, by+", and it is not on the card")
			j.out.Gone = append(j.out.Gone, Gone{n.Volume, n.Path, by})
		case len(n.Runs) == 1 && count != 1:
			w.Cannot = append(w.Cannot, fmt.Sprintf("%s, which lies in %s on the card: code that wants it in one piece does "+
				"not start it",
				by, disk.Counted(count, "piece")))
		case sure:
			w.Chain = append(w.Chain, fmt.Sprintf("%s, which lies in %s, as before", by, disk.Counted(count, "piece")))
		}
	}
	return nil
}

func namedKey(volume int, path string) string { return fmt.Sprint(volume, strings.ToUpper(path)) }

// pieces returns in how many pieces a file lies.
func pieces(f *files.File) (n int) {
	end := disk.Sector(-1)
	for _, e := range f.Extents {
		if e.Stored.Start != end {
			n++
		}
		end = e.Stored.End()
	}
	return n
}
