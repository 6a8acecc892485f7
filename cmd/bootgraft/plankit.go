package main

import (
	"bytes"
	"fmt"
	"path/filepath"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/kit/gather"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/rule/compare"
)

// takeKitRules takes the rules that a kit brings, unless a rule file was given.
func (f *planFlags) takeKitRules(u *talk.UI, src *input.Source) error {
	k, ok := src.Source.(*kit.Kit)
	if !ok || k.Rules() == nil || f.known != nil {
		return nil
	}
	r, err := compare.Decode(bytes.NewReader(k.Rules()))
	if err != nil {
		return fmt.Errorf("the rules in %s cannot be used: %w. --rules RULES gives others", src.Path, err)
	}
	u.Sayf("The kit brings rules for cards of another size; they are used.")
	f.known = r
	return nil
}

// kitHint adds to a refusal what makes a card from a kit, which holds no files:
// its volumes begin empty.
func (f *planFlags) kitHint(src *input.Source, s *layout.Map, cause, refusal error) error {
	r := fit.IsRefused(cause)
	_, isKit := src.Source.(*kit.Kit)
	if r == nil || !isKit || !r.InVolumes {
		return refusal
	}
	flags := page.EmptyFlags(&kit.Manifest{Facts: gather.Facts(s)}, f.volumes.Empty...)
	if flags == "" || refusal == nil || talk.ExitCode(refusal) != talk.ExitRefused {
		return refusal
	}
	return talk.Coded(talk.ExitRefused, fmt.Errorf(
		"%w\n%s is a kit, and a kit holds no volume whole. For a card that starts with\nempty volumes add:\n\n %s",
		refusal, filepath.Base(src.Path), flags))
}

// kitWayOut says what to do with a card of another size that was planned from a
// kit without rules.
func (f *planFlags) kitWayOut(u *talk.UI, src *input.Source, p *plan.Plan) {
	if k, ok := src.Source.(*kit.Kit); ok && f.known == nil && k.Rules() == nil && p.Target.Sectors != p.Source.Sectors {
		page.WayOut(u)
	}
}
