package main

import (
	"slices"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
)

const rulesHelp = `A device that keeps its own head and tail may name the size of the disk there.
What other originals of the model prove about that is applied with

  --rules RULES       from: bootgraft compare A B C -o RULES
  --try N             on a disk that nobody knows, the N-th try that the plan
                      lists, instead of the first, or of the rules

Sectors that the rules change are made new; all other bytes of head and tail are
carried from the source. The planned card is looked at again, and must follow
every rule. What is not decided has to be accepted with --accept
rules-undecided.
`

// readRules reads the rule file before minutes of reading the source.
func (f *planFlags) readRules() (err error) {
	if f.rules != "" {
		f.known, err = input.OpenRules(f.rules)
	}
	return err
}

// isTry tells whether a finding is a try of the ladder.
func isTry(f disk.Finding) bool { return f.Code == disk.ThisTry || f.Code == disk.FurtherTry }

// showLadder lists the tries of an unknown layout apart from other findings,
// and returns what is left.
func showLadder(u *talk.UI, findings []disk.Finding) []disk.Finding {
	if !slices.ContainsFunc(findings, isTry) {
		return findings
	}
	u.Answerf("\nNobody knows this layout. The tries, cheapest first:\n")
	for _, f := range findings {
		switch f.Code {
		case disk.ThisTry:
			u.Wrapped("  this plan  ", f.Text)
		case disk.FurtherTry:
			u.Wrapped("             ", f.Text)
		}
	}
	u.Answerf("\nEach of them on a card, never on the original; --try N plans another one. What\nthe device did to a card:\n\n  bootgraft compare --before PLAN --after CARD\n")
	return slices.DeleteFunc(slices.Clone(findings), isTry)
}
