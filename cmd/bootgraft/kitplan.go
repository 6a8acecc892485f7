package main

import (
	"fmt"
	"path/filepath"
	"slices"

	"bootgraft/image/kit"
	"bootgraft/layout"
	"bootgraft/layout/fit"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan"
)

// kitHint adds to a refusal what makes a card from a kit, which holds no files:
// its volumes begin empty.
func kitHint(src *opened, s *scan.Survey, cause, refusal error) error {
	r := fit.IsRefused(cause)
	_, isKit := src.Source.(*kit.Kit)
	if r == nil || !isKit || !slices.ContainsFunc(r.Need, func(f layout.Finding) bool { return f.Code == "missing-in-volume" }) {
		return refusal
	}
	flags := emptyFlags(&kit.Manifest{Facts: kitFacts(s)})
	if flags == "" || refusal == nil || exitCode(refusal) != exitRefused {
		return refusal
	}
	return coded(exitRefused, fmt.Errorf("%w\n%s is a kit, and a kit holds no files. For a card that starts with\nempty volumes add:\n\n %s", refusal, filepath.Base(src.path), flags))
}

// kitWayOut says what to do with a card of another size that was planned from a
// kit without rules.
func (u *ui) kitWayOut(src *opened, p *plan.Plan) {
	if k, ok := src.Source.(*kit.Kit); ok && k.Rules() == nil && p.Target.Sectors != p.Source.Sectors {
		u.answerf("\n%s", kit.WayOut)
	}
}
