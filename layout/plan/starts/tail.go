package starts

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/link"
)

// knownTail are the findings that say from which end the tail is counted.
var knownTail = []disk.Code{disk.TailByRules, disk.TailByCopy}

// tail asks from which end a tail is counted that nothing names, where the card does
// not have it at both.
func (j *judge) tail(w *Way) {
	if j.plan.Target.Sectors == j.plan.Source.Sectors {
		return
	}
	for _, r := range j.m.Regions {
		if r.Role != layout.RoleTail || r.Content.Looked && r.Content.NonBlank == 0 {
			continue
		}
		named := slices.ContainsFunc(j.found.Links, func(l link.Link) bool { return r.Holds(l.Target.Start) })
		known := slices.ContainsFunc(j.plan.Findings, func(f disk.Finding) bool { return slices.Contains(knownTail, f.Code) })
		if !named && !known {
			j.unnamedTail(w, r)
		}
	}
}

// unnamedTail looks where on the card a tail lies that nothing names.
func (j *judge) unnamedTail(w *Way, r layout.Region) {
	if unknown := image.Unknown(j.src, r.Span); len(unknown) > 0 {
		w.Cannot = append(w.Cannot, fmt.Sprintf("%s of the tail (%s) not known, so that nobody can say whether it "+
			"is on the card",
			areUnknown(unknown), r.Text()))
		return
	}
	var at []string
	places := []struct {
		start disk.Sector
		text  string
	}{{r.Start, "at its old place"}, {r.Start + j.plan.Target.Sectors - j.plan.Source.Sectors, "at the end of the card"}}
	for _, p := range places {
		x, state, err := j.sameBytes(r.Span, p.start)
		switch {
		case err != nil:
			w.Cannot = append(w.Cannot, fmt.Sprintf("whether the tail lies %s cannot be known: sector %s of the card "+
				"cannot be read: %v",
				p.text, disk.Grouped(x), err))
		case state == Holds:
			at = append(at, p.text)
		}
	}
	if len(at) == len(places) {
		w.Chain = append(w.Chain, "the tail lies at its old place and at the end")
		return
	}
	where := "nowhere"
	if len(at) > 0 {
		where = strings.Join(at, " and ")
	}
	w.Cannot = append(w.Cannot, fmt.Sprintf("nothing found names the tail (%s), so that from which end it is counted "+
		"cannot be known; it lies %s",
		r.Text(), where))
}

// areUnknown names the first of some sectors, and how many there are.
func areUnknown(s disk.Spans) string {
	if n := s.Sectors(); n > 1 {
		return fmt.Sprintf("%s, from sector %s on, are", disk.Counted(n, "sector"), disk.Grouped(s[0].Start))
	}
	return fmt.Sprintf("sector %s is", disk.Grouped(s[0].Start))
}
