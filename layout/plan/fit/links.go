package fit

import (
	"fmt"
	"maps"
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/scan/link"
	"bootgraft/layout/volume"
)

// links returns the numbers in the boot code of the source that name a place, looked
// for once for all cards that are tried.
func (p *given) links() (*link.Found, error) {
	if p.linked.found == nil {
		found, err := link.Find(p.ctx, p.src, p.s)
		if err != nil {
			return nil, fmt.Errorf("looking for links in boot code: %w", err)
		}
		p.linked.found = found
	}
	return p.linked.found, nil
}

// linked keeps what links has found, or was given.
type linked struct{ found *link.Found }

// linkedFiles returns the files of a volume that boot code finds by their sectors:
// they are pinned.
func (p *given) linkedFiles(index int) ([]volume.Linked, error) {
	found, err := p.links()
	if err != nil {
		return nil, err
	}
	var out []volume.Linked
	for i := range found.Links {
		l := &found.Links[i]
		if l.Target.Volume == index && l.Target.Path != "" && l.Lost == "" {
			byCluster := l.Unit.Counts == link.InClusters && l.Unit.Volume == index
			out = append(out, volume.Linked{Path: l.Target.Path, Why: l.Text(p.s.SectorSize), ByCluster: byCluster})
		}
	}
	return out, nil
}

// proveLinks wants every link of the boot code to lead on the card where it led on
// the original: it asks about files, and tells of all else. What was asked before, when volumes were sized, is
// not asked again.
func (p *proof) proveLinks(*card.Card) error {
	found, err := p.links()
	empties := func(w volume.Wishes) bool { return w.Empty }
	if err != nil || len(found.Links)+len(found.Named) == 0 &&
		!slices.ContainsFunc(slices.Collect(maps.Values(p.w.Volumes.Wish)), empties) {
		return err
	}
	r, err := starts.Judge(p.ctx, p.made, p.src, p.s, starts.Known{Links: found, Card: p.shown})
	if err != nil {
		return err
	}
	told := map[disk.Sector]bool{}
	for i := range r.Links {
		v := &r.Links[i]
		if v.State != starts.Broken || told[v.Target.Start] || p.linkAsked(v) {
			continue
		}
		told[v.Target.Start] = true
		f := disk.Refusalf(p.linkCode(v), v.At, "%s; %s. What starts through it will not start%s",
			v.Text(p.s.SectorSize), v.Why, p.linkRoom(v))
		if v.Target.Kind != link.File {
			// A number that equals the place of the tail may be a size as well: it is told.
			f.Severity = disk.Warning
			p.note(f)
			continue
		}
		p.ask(f)
	}
	for _, g := range r.Gone {
		p.ask(disk.Refusalf(disk.LinkedFileGone, disk.NoSector,
			"%s, and it is not on the card. What starts through it will not start%s", g.By, gone))
	}
	return nil
}

// gone is what else does not arrive where a linked file does not: its volume was made empty.
const gone = ", and whatever a loader opens there by its name is gone as well; its volume must not be made empty"

// linkCode says what became of a target.
func (p *proof) linkCode(v *starts.Verdict) disk.Code {
	switch {
	case v.Target.Kind != link.File:
		return disk.LinkBroken
	case v.Went < 0:
		return disk.LinkedFileGone
	}
	return disk.LoaderFileMoves
}

// linkAsked tells whether the move of a linked file was asked about already.
func (p *proof) linkAsked(v *starts.Verdict) bool {
	r := p.sized[v.Target.Volume]
	if r == nil {
		return false
	}
	base := p.volumeSpan(v.Target.Volume).Start
	for _, f := range r.Findings {
		switch f.Code {
		case disk.LoaderFileMoves, disk.PinMoves:
			if f.Accepted && v.Target.Holds(f.Sector+base) {
				return true
			}
		}
	}
	return false
}

// linkRoom says which card would need none of it, where that is known.
func (p *proof) linkRoom(v *starts.Verdict) string {
	switch {
	case v.Target.Kind == link.File && v.Went < 0:
		return gone
	case p.w.Target.Sectors < p.s.Sectors:
		return fmt.Sprintf("; a card of at least %s needs no change", sectors(p.s.Sectors))
	}
	return ""
}
