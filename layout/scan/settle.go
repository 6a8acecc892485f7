package scan

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// claim is one format's word that a run of sectors is its own.
type claim struct {
	disk.Span
	by     string // the table or volume that speaks
	role   layout.Role
	anchor layout.Anchor
	name   string
	why    string
}

// Bounds of what is said about a disk that contradicts itself everywhere: by hand, no
// source; a person reads no more.
const (
	maxClaimants = 8  // of one run of sectors
	maxConflicts = 64 // findings
)

// sameOwner tells whether two claims on the same sectors agree: two tables
// that name the same volume do not contradict each other.
func (c claim) sameOwner(d claim) bool {
	return c.role == d.role && (c.by == d.by && c.name == d.name || c.role == layout.RoleVolume && c.Span == d.Span)
}

// settle cuts [0, whole) at every border of a claim and gives each piece to
// the one who claims it, to RoleDisputed where claimants disagree, and to
// RoleGap where nobody speaks. Neighbours with the same owner are one region.
func settle(whole disk.Sector, claims []claim) []layout.Region {
	drive := disk.Span{Count: whole}
	var borders []disk.Sector
	live := claims[:0:0]
	for _, c := range claims {
		if c.Span = c.Span.Common(drive); c.Empty() {
			continue
		}
		live = append(live, c)
		borders = append(borders, c.Start, c.End())
	}
	borders = append(borders, 0, whole)
	slices.Sort(borders)
	borders = slices.Compact(borders)
	slices.SortStableFunc(live, func(a, b claim) int { return int(min(1, max(-1, a.Start-b.Start))) })

	var out []layout.Region
	var active []claim
	next := 0
	for i := 0; i+1 < len(borders); i++ {
		part := disk.Between(borders[i], borders[i+1])
		active = slices.DeleteFunc(active, func(c claim) bool { return c.End() <= part.Start })
		for next < len(live) && live[next].Start <= part.Start {
			active = append(active, live[next])
			next++
		}
		out = appendRegion(out, owner(part, active))
	}
	return out
}

// owner decides about one run of sectors that all claimants claim whole.
func owner(part disk.Span, claimants []claim) layout.Region {
	if len(claimants) == 0 {
		return layout.Region{Span: part, Role: layout.RoleGap, Anchor: layout.FromStart}
	}
	first := claimants[0]
	agree := !slices.ContainsFunc(claimants[1:], func(c claim) bool { return !first.sameOwner(c) })
	more := len(claimants) - maxClaimants
	claimants = claimants[:min(len(claimants), maxClaimants)]
	var evidence []string
	for _, c := range claimants {
		if !slices.Contains(evidence, c.why) {
			evidence = append(evidence, c.why)
		}
	}
	if agree {
		return layout.Region{Span: part, Role: first.role, Anchor: first.anchor, Name: first.name, Evidence: evidence}
	}
	var names []string
	for _, c := range claimants {
		names = append(names, c.name)
	}
	if more > 0 {
		names = append(names, fmt.Sprintf("%d more", more))
	}
	return layout.Region{
		Span: part, Role: layout.RoleDisputed, Anchor: layout.FromStart,
		Name: "claimed by " + strings.Join(names, " and by "), Evidence: evidence,
	}
}

func appendRegion(out []layout.Region, r layout.Region) []layout.Region {
	if n := len(out); n > 0 {
		last := &out[n-1]
		if last.Role == r.Role && last.Name == r.Name && slices.Equal(last.Evidence, r.Evidence) {
			last.Count += r.Count
			return out
		}
	}
	return append(out, r)
}

// conflicts reports the disputed regions, one finding each for the first of them.
func conflicts(regions []layout.Region) []disk.Finding {
	var out []disk.Finding
	more := 0
	for _, r := range regions {
		if r.Role == layout.RoleDisputed && len(out) == maxConflicts {
			more++
		} else if r.Role == layout.RoleDisputed {
			out = append(out, disk.Warningf(disk.ClaimsConflict, r.Start,
				"sectors %s are %s: %s. Nothing in them is interpreted", r.Span, r.Name, strings.Join(r.Evidence, "; ")))
		}
	}
	if more > 0 {
		out = append(out, disk.Warningf(disk.ClaimsConflict, disk.NoSector,
			"%d more runs of sectors are claimed by several; the regions list them", more))
	}
	return out
}

// gapName says where a gap lies.
func gapName(r layout.Region, firstEntry, lastEntry disk.Sector) string {
	switch {
	case r.Start < firstEntry && r.End() <= firstEntry:
		return "gap before the first entry"
	case r.Start >= lastEntry:
		return "after the last entry"
	default:
		return fmt.Sprintf("gap between entries at sector %d", r.Start)
	}
}
