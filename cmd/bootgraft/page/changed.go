package page

import (
	"fmt"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/diff"
)

// Changed says what a device did to a card.
func Changed(u *talk.UI, before, after string, r *diff.Report, d *FileChanges) {
	u.Answerf("before: %s\nafter:  %s\n%s\n", before, after, disk.Counted(r.Sectors, "sector"))
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
		u.Wrapped("  ", KindTexts[k])
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

// KindTexts say what a device did, and what to do now.
var KindTexts = map[diff.Kind]string{
	diff.Untouched:    "Not one of the compared sectors differs. The device probably never reached the card: look at the adapter, at master and slave, at the transfer mode (DMA), at the mark of a fixed disk that a card may not have, and at power. If it started all the same, it writes nothing at start.",
	diff.Counted:      "A few bytes of the boot areas changed: a counter, a clock or a note. The device started, or began to, and took the layout for its own so far.",
	diff.Files:        "A volume changed inside: files were added, changed or removed. The device found its volume and works with it.",
	diff.TailFromHead: "Sectors of the tail now hold what the head held: the copies disagreed, and the device believes the head. The next plan has to carry the same in both; compare several originals and plan with --rules.",
	diff.HeadFromTail: "Sectors of the head now hold what the tail held: the copies disagreed, and the device believes the tail. Whatever is changed in the head alone will be undone like this; compare several originals and plan with --rules.",
	diff.Rewritten:    "The boot areas changed in more than a few bytes, and not from each other. The device has worked on them: compare it with the originals of other sizes to see what it wrote.",
	diff.NewFormat:    "The device did not know the layout, or did not like it, and made its own. Keep this image: it shows what the device wants for this size, and is an original to compare with the others. Never let it do so on the old drive.",
}

// FileChanges are the files of which name, size or time differ.
type FileChanges struct {
	Added   []string `json:"added"`
	Removed []string `json:"removed"`
	Changed []string `json:"changed"`
}
