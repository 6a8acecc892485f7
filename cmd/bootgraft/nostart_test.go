package main

import (
	"io"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan/diff"
)

// TestNoStartIsFittedToEveryCase: whatever a device did there is one next step, every line
// of it is one that the program takes, and nothing tells to format the original.
func TestNoStartIsFittedToEveryCase(t *testing.T) {
	p := &plan.Plan{Target: plan.Size{Sectors: 1000, SectorSize: 512}, Choices: []string{"tail=end", "try=2"}}
	for k := range page.KindTexts {
		for _, c := range []page.Case{{}, {PlanPath: "my card.plan", Plan: p}, {PlanPath: "a.plan", Plan: p, Written: 3}} {
			a := page.AdviceFor([]diff.Kind{k}, c)
			if a.Next == "" || a.RulesOut == "" || a.Note == "" {
				t.Errorf("%s: %+v", k, a)
			}
			if strings.Contains(a.Note, "3 cards") != (c.Written == 3) {
				t.Errorf("%s: %d cards, and %q", k, c.Written, a.Note)
			}
			for _, line := range a.Typed {
				typed := strings.Fields(strings.ReplaceAll(strings.TrimPrefix(line, "sudo "), "'my card.plan'", "a.plan"))
				root := rootCommand(&talk.UI{}, nil)
				found, rest, err := root.Find(typed[1:])
				if err != nil || found == root {
					t.Errorf("%s: no command: %s", k, line)
				} else if err := found.ParseFlags(rest); err != nil {
					t.Errorf("%s: %s: %v", k, line, err)
				} else if err := found.ValidateArgs(found.Flags().Args()); err != nil {
					t.Errorf("%s: %s: %v", k, line, err)
				} else if strings.Contains(line, "--write-test") && !strings.HasSuffix(line, " --device") {
					t.Errorf("%s: %s is refused without --device", k, line)
				}
				// There is no such plan and no such card here: that may be said, and nothing of the line.
				u := &talk.UI{Out: io.Discard, Err: io.Discard}
				if err := execute(t.Context(), u, nil, typed[1:]); talk.ExitCode(err) == talk.ExitUsage {
					t.Errorf("%s: %s: %v", k, line, err)
				}
			}
		}
	}
	next := page.AdviceFor([]diff.Kind{diff.Counted, diff.Numbers}, page.Case{PlanPath: "a.plan", Plan: p}).Typed
	if len(next) != 1 || !strings.Contains(next[0], "--like a.plan --size 1000s --try 3 ") {
		t.Errorf("the next try is %q", next)
	}
	many := page.AdviceFor([]diff.Kind{diff.Untouched}, page.Case{PlanPath: "a.plan", Plan: p, Written: 3})
	if !strings.Contains(many.Next, "no further card") {
		t.Errorf("the third card that was not touched: %q", many.Next)
	}
}
