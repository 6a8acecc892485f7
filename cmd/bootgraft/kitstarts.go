package main

import (
	"context"
	"encoding/hex"
	"slices"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume"
)

// kitStarts says what stops a card from starting that is planned from a kit alone: of
// the drive's own size, with FAT volumes that begin empty. All that would be asked is
// taken as accepted, as nothing is made of that plan. Where there is no such card,
// refused says why; of a kit with facts alone nothing is said.
func kitStarts(ctx context.Context, k *kit.Kit) (r *starts.Report, refused []disk.Finding, err error) {
	if k.FactsOnly {
		return nil, nil, nil
	}
	s, err := scan.Run(ctx, k, scan.Options{})
	if err != nil {
		return nil, nil, err
	}
	w := fit.Wishes{Target: plan.Size{Sectors: s.Sectors, SectorSize: s.SectorSize}, Kit: true}
	w.Volumes.Wish = map[int]volume.Wishes{}
	for _, v := range s.Volumes {
		if strings.HasPrefix(v.Kind, "fat") {
			w.Volumes.Wish[v.Index] = volume.Wishes{Empty: true}
		}
	}
	keepLinked(k, s, w.Volumes.Wish)
	if err := w.LookOutside(ctx, k, s); err != nil {
		return nil, nil, err
	}
	p, err := fit.Plan(ctx, k, s, w)
	// Another question may stand behind each that is answered.
	no := fit.IsRefused(err)
	for ; no != nil && len(no.Why) == 0 && asksNew(no, w.Accept); no = fit.IsRefused(err) {
		for _, f := range no.Need {
			w.Accept = append(w.Accept, f.Code)
		}
		p, err = fit.Plan(ctx, k, s, w)
	}
	if no != nil {
		return nil, slices.Concat(no.Why, no.Need), nil
	}
	if err != nil {
		return nil, nil, err
	}
	r, err = starts.Judge(ctx, p, k, s, starts.Known{Links: w.Links})
	return r, nil, err
}

// keepLinked adds to the wishes for volumes that become empty the files of a kit that
// boot code names by their sectors.
func keepLinked(k *kit.Kit, s *layout.Map, wish map[int]volume.Wishes) {
	for _, l := range k.Facts.Linked {
		w, asked := wish[l.Volume]
		v := s.Volume(l.Volume)
		if !asked || !w.Empty || v == nil {
			continue
		}
		var kept volume.Kept
		if b, err := hex.DecodeString(l.Entry); err == nil && len(b) > 0 {
			kept.Entry = b
		}
		for _, e := range l.Extents {
			kept.Extents = append(kept.Extents, disk.Span{Start: e.Start - v.Start, Count: e.Count})
		}
		w.Kept = append(w.Kept, kept)
		wish[l.Volume] = w
	}
}

// asksNew tells whether a refusal asks for more than what was accepted.
func asksNew(r *fit.Refused, accepted []disk.Code) bool {
	return slices.ContainsFunc(r.Need, func(f disk.Finding) bool { return !slices.Contains(accepted, f.Code) })
}
