package page

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan/diff"
)

// Case is what is known of a card that did not start, beside what the device did to it.
type Case struct {
	PlanPath string     // empty where there is only an image
	Plan     *plan.Plan // nil then
	Source   string     // of the plan, where it is not where the plan remembers it
	Flags    string     // how the source was given, for the next command about the plan
	Written  int        // cards that were written by this plan, by its receipts
}

// Advice is the page "no-start" fitted to one case: what is ruled out, what to note, and
// the one cheapest next step.
type Advice struct {
	RulesOut, Note, Next string
	Typed                []string
}

// Which advice is given for what the device did. The first kind that was seen decides: it
// is the one that tells most about how far the device came. Common practice, no source.
var advised = []struct {
	kinds                []diff.Kind
	rulesOut, note, next string
	typed                func(Case) []string
}{
	{[]diff.Kind{diff.Untouched}, "nothing that is on the card: the device never wrote to it",
		"does the display differ from a start without any drive?",
		"cable, plug and supply first; then the jumper and the adapter", nil},
	{[]diff.Kind{diff.Desktop}, "nothing: a computer changed the card",
		"which computer had it, and whether it asked to repair or format",
		"write the card again, and take it out before any computer mounts it", writeAgain},
	{[]diff.Kind{diff.NewFormat, diff.NewVolume}, "cable, adapter and supply: the device wrote a layout of its own",
		"the words with which it asked, and whether it starts from this card now",
		"keep this card as it came back: it is one more original, of another size", nil},
	{[]diff.Kind{diff.TailFromHead, diff.HeadFromTail, diff.Mended},
		"cable, adapter and supply: the device read both copies and mended one",
		"whether it starts the second time",
		"start it once more; then rules, so that the copies agree", nil},
	{[]diff.Kind{diff.Numbers, diff.Checksums}, "cable, adapter and supply: the device keeps numbers on the card",
		"the number, if it shows one",
		"start it once more; then the next try, which has other numbers", nextTry},
	{[]diff.Kind{diff.Files, diff.Mounted}, "cable, adapter, boot code and table: the device found its volume",
		"what is missing or stops, and after how many seconds",
		"did the card keep what was written, and is it as large as it says?", testCard},
	{[]diff.Kind{diff.Content}, "nothing: a card that loses what was written looks the same",
		"whether the same bytes differ when the card is read once more",
		"is the card as large as it says, and does it keep what is written?", testCard},
	{[]diff.Kind{diff.Counted}, "cable, adapter and most of the boot code: the device began to work",
		"after how many seconds it stops, and at which word",
		"does its boot code find what it names?", whatStarts},
	{[]diff.Kind{diff.Rewritten}, "cable and supply: the device wrote to the card",
		"its words, and how long it wrote",
		"read the drive of another unit of the model, and compare", nil},
}

func writeAgain(c Case) []string {
	lines := c.typed("bootgraft write %s next --device")
	for i := range lines {
		lines[i] = words.AsRoot(lines[i])
	}
	return lines
}

func whatStarts(c Case) []string { return c.typed("bootgraft starts %s") }

func testCard(c Case) []string {
	return append(c.typed("bootgraft files --plan %s --brief"),
		words.AsRoot("bootgraft card /dev/sdX --write-test quick --device"))
}

func (c Case) typed(line string) []string {
	if c.PlanPath == "" {
		return nil
	}
	return []string{fmt.Sprintf(line, words.Shell(c.PlanPath)) + c.Flags}
}

// nextTry is the plan with the next try of the ladder.
func nextTry(c Case) []string {
	if c.PlanPath == "" || c.Plan == nil {
		return nil
	}
	source := ""
	if c.Source != "" {
		source = words.Shell(c.Source) + " "
	}
	return []string{fmt.Sprintf("bootgraft plan %s--like %s --size %ds --try %d -o next.plan",
		source, words.Shell(c.PlanPath), c.Plan.Target.Sectors, c.try()+1)}
}

// try is the try of the ladder that the plan was; a plan that names none was the first.
func (c Case) try() int {
	for _, choice := range c.Plan.Choices {
		if n, ok := strings.CutPrefix(choice, "try="); ok {
			if try, err := strconv.Atoi(n); err == nil && try > 0 {
				return try
			}
		}
	}
	return 1
}

// manyCards is how many cards by one plan are no chance any more: by hand, no source.
const manyCards = 3

// AdviceFor fits the page "no-start" to what a device did to a card.
func AdviceFor(kinds []diff.Kind, c Case) Advice {
	for _, a := range advised {
		if !slices.ContainsFunc(kinds, func(k diff.Kind) bool { return slices.Contains(a.kinds, k) }) {
			continue
		}
		out := Advice{RulesOut: a.rulesOut, Note: a.note, Next: a.next}
		if a.typed != nil {
			out.Typed = a.typed(c)
		}
		if c.Written < manyCards {
			return out
		}
		out.Note += fmt.Sprintf("; %s were written by this plan", disk.Counted(c.Written, "card"))
		if slices.Contains(a.kinds, diff.Untouched) {
			out.Next, out.Typed = "no further card by this plan: another adapter, or a card that says it is a fixed disk", nil
		}
		return out
	}
	return Advice{}
}

// facts are the advice without the lines to type.
func (a *Advice) facts() (out report.Facts) {
	out.Add("rules out", a.RulesOut)
	out.Add("note", a.Note)
	out.Add("next", a.Next)
	return out
}

// NoStart shows it.
func NoStart(u *talk.UI, a Advice) {
	if a.Next == "" {
		return
	}
	u.Answerf("\nIf it did not start (all symptoms: bootgraft help no-start):\n")
	u.Answerf("%s", a.facts().Lines("  "))
	if len(a.Typed) > 0 {
		u.Answerf("\n")
		u.Lines(a.Typed...)
	}
}
