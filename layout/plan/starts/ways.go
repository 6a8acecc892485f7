package starts

import (
	"bytes"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/link"
)

// codeBytes of sector 0 are code (UEFI Specification 2.10, table 5.1).
const codeBytes = 440

// ways lists the ways of starting that the original has.
func (j *judge) ways() error {
	zero, err := j.sector(j.src, 0)
	if err != nil {
		return err
	}
	hasCode := len(zero) >= codeBytes && !noCode(zero)
	signed := len(zero) >= 512 && zero[510] == 0x55 && zero[511] == 0xAA
	before := len(j.out.Ways)
	switch {
	case j.m.Volume(0) != nil:
		err = j.bareVolume()
	case j.m.Table == "gpt":
		if hasCode && signed {
			err = j.fromSector0(GPT, j.legacy())
		}
	case j.m.Table == "mbr":
		var active *layout.Entry
		for i := range j.m.Entries {
			if j.m.Entries[i].Active && !j.m.Entries[i].Extended {
				active = &j.m.Entries[i]
			}
		}
		switch {
		case active != nil:
			err = j.fromSector0(ActiveEntry, active)
		case hasCode && signed:
			err = j.fromSector0(BootCode, nil)
		}
	}
	if err != nil {
		return err
	}
	if err := j.efi(); err != nil {
		return err
	}
	if len(j.out.Ways) == before {
		return j.unknownWay(zero == nil)
	}
	return nil
}

// legacy is the entry of a GUID partition table that says that code of sector 0 starts it
// (UEFI Specification 2.10, table 5.7, bit 2), if there is one alone.
func (j *judge) legacy() (one *layout.Entry) {
	for i := range j.m.Entries {
		switch {
		case !j.m.Entries[i].Active:
		case one != nil:
			return nil // which of them the code takes nobody knows
		default:
			one = &j.m.Entries[i]
		}
	}
	return one
}

// sector reads a sector, or returns nothing if it is not known.
func (j *judge) sector(src image.Source, x disk.Sector) ([]byte, error) {
	b, err := image.ReadSector(src, x)
	if isUnknown(err) {
		return nil, nil
	}
	return b, err
}

// sameDisk tells whether the card is the original byte for byte.
func (j *judge) sameDisk() bool {
	if j.plan.Target.Sectors != j.plan.Source.Sectors {
		return false
	}
	for _, q := range j.plan.Pieces {
		if q.Op != layout.Copy || q.From != q.Start {
			return false
		}
	}
	return len(image.Unknown(j.src, image.Whole(j.src))) == 0
}

// fromSector0 follows boot code of sector 0 and, if there is one, the active entry.
func (j *judge) fromSector0(m Method, active *layout.Entry) error {
	w := Way{Method: m}
	volumes := map[int]bool{}
	j.sectorZero(&w)
	if active != nil {
		w.Entry = active.Index
		volumes[active.Index] = true
		j.entry(&w, active)
	}
	err := j.follow(&w, volumes)
	j.out.Ways = append(j.out.Ways, w)
	return err
}

// noCode tells whether a sector 0 holds nothing where its boot code would be.
func noCode(sector []byte) bool {
	_, blank := image.Blank(sector[:codeBytes])
	return blank
}

// sectorZero wants the boot code of sector 0 on the card.
func (j *judge) sectorZero(w *Way) {
	a, errA := j.sector(j.src, 0)
	b, errB := j.sector(j.card.Known(), 0)
	switch {
	case a == nil || b == nil || errA != nil || errB != nil:
		w.Cannot = append(w.Cannot, "sector 0 is not known")
	case noCode(a) && noCode(b):
		w.Chain = append(w.Chain, "sector 0: no boot code, as on the original: firmware of its own follows the table")
	case bytes.Equal(a[:codeBytes], b[:codeBytes]):
		w.Chain = append(w.Chain, "sector 0: its boot code is the same")
	default:
		w.Cannot = append(w.Cannot, "the boot code of sector 0 is another one on the card")
	}
}

// entry wants the active entry and the boot sector that it names.
func (j *judge) entry(w *Way, e *layout.Entry) {
	now := j.now.Entry(e.Index)
	if now == nil || !now.Active {
		w.Broken = append(w.Broken, fmt.Sprintf("entry %d is not active on the card", e.Index))
		return
	}
	a, errA := j.sector(j.src, e.Start)
	b, errB := j.sector(j.card.Known(), now.Start)
	if a == nil || b == nil || errA != nil || errB != nil {
		w.Cannot = append(w.Cannot, fmt.Sprintf("the boot sector of entry %d is not known", e.Index))
		return
	}
	if n := len(a); a[n-2] == 0x55 && a[n-1] == 0xAA && !(b[n-2] == 0x55 && b[n-1] == 0xAA) {
		w.Broken = append(w.Broken, fmt.Sprintf("entry %d names sector %s, and no boot sector lies there on the card",
			e.Index, disk.Grouped(now.Start)))
		return
	}
	w.Chain = append(w.Chain, fmt.Sprintf("entry %d is active and names the boot sector at sector %s", e.Index,
		disk.Grouped(now.Start)))
}

// bareVolume follows the boot sector of a volume without a table.
func (j *judge) bareVolume() error {
	w := Way{Method: BareVolume}
	if v := j.now.Volume(0); v == nil {
		w.Broken = append(w.Broken, "no volume begins at sector 0 of the card")
	} else {
		w.Chain = append(w.Chain, "sector 0 is the boot sector of a "+v.Kind+" volume")
	}
	err := j.follow(&w, map[int]bool{0: true})
	j.out.Ways = append(j.out.Ways, w)
	return err
}

// follow takes over what became of the links and of what no link shows. volumes are
// those that the way is known to read.
func (j *judge) follow(w *Way, volumes map[int]bool) error {
	if err := j.named(w, volumes); err != nil {
		return err
	}
	for i := range j.out.Links {
		v := &j.out.Links[i]
		if v.Target.Volume >= 0 {
			volumes[v.Target.Volume] = true
		}
		switch text := v.Text(j.size); v.State {
		case Holds:
			w.Chain = append(w.Chain, text)
		case Broken:
			w.Broken = append(w.Broken, text+": "+v.Why)
		default:
			w.Cannot = append(w.Cannot, text+": "+v.Why)
		}
	}
	if !slices.ContainsFunc(j.out.Links, func(v Verdict) bool { return v.State == Broken }) && len(j.out.Gone) == 0 {
		w.Broken = append(w.Broken, j.notKept()...)
	}
	for i := range j.weak {
		v := &j.weak[i]
		w.Cannot = append(w.Cannot, fmt.Sprintf("%s, if it is a place at all: chance alone makes such numbers in %.2g of "+
			"all disks; %s",
			v.Text(j.size), v.ByChance, v.Why))
	}
	for _, s := range j.found.Unknown {
		w.Cannot = append(w.Cannot, fmt.Sprintf("sectors %s, where boot code may lie, are not known", s.Text()))
	}
	j.emptied(w, volumes)
	j.tail(w)
	if j.found.Cut {
		w.Cannot = append(w.Cannot, "there is more boot code than was searched for links")
	}
	if j.found.Deep {
		w.Cannot = append(w.Cannot, fmt.Sprintf("links lead further than %d steps, and were not followed", link.MaxDepth))
	}
	return nil
}

// notKept tells of files that boot code names, that are not in the source, which is a kit, and
// so in none of the links that it shows: what they are, the plan was told with it.
func (j *judge) notKept() (out []string) {
	for _, f := range j.plan.Findings {
		if f.Code == disk.LinkedFileGone {
			out = append(out, f.Text)
		}
	}
	return out
}

// emptied tells of volumes that were made empty: what a loader opens by name is gone. Boot
// code may open files of any volume, and volumes are those that the way is known to read.
func (j *judge) emptied(w *Way, volumes map[int]bool) {
	for _, v := range j.m.Volumes {
		if !j.isEmptied(&v) {
			continue
		}
		what := "what its loader opens by name is gone"
		if !volumes[v.Index] {
			what = "if a loader opens a file of it by name, that is gone"
		}
		w.Cannot = append(w.Cannot, fmt.Sprintf("%s was made empty: %s", layout.VolumeName(v.Index), what))
	}
}

func (j *judge) isEmptied(v *layout.Volume) bool {
	now := j.now.Volume(v.Index)
	if now == nil {
		return false
	}
	first := j.plan.Index(now.Start)
	for i := first; i < len(j.plan.Pieces) && j.plan.Pieces[i].Start < now.End(); i++ {
		if j.plan.Pieces[i].Why == layout.WhyEmptied {
			return true
		}
	}
	return false
}

// unknownWay is that of a disk which no method here starts from.
func (j *judge) unknownWay(notKnown bool) error {
	w := Way{Method: Unknown}
	if j.sameDisk() {
		w.Chain = []string{"the card is the original byte for byte, of the same size"}
		j.out.Ways = append(j.out.Ways, w)
		return nil
	}
	err := j.follow(&w, map[int]bool{})
	what := "nobody knows how this device starts: it has no active entry, no boot code in sector 0, no bare volume and " +
		"no EFI program"
	if notKnown {
		what = "sector 0 is not known"
	}
	w.Cannot = append(w.Cannot, what)
	j.out.Ways = append(j.out.Ways, w)
	return err
}
