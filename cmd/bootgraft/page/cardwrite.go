package page

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/image/disk/register"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/starts"
	"bootgraft/safety"
	"bootgraft/safety/blockdev"
)

// CardNow is which card it is and what it holds now.
type CardNow struct {
	Path  string
	Facts blockdev.Facts
	Holds []string
}

// name says which card it is.
func (c *CardNow) name() string {
	f := c.Facts
	name := c.Path
	if f.Node != "" && f.Node != c.Path {
		name += " (" + f.Node + ")"
	}
	text := name + ": " + IdentityText(f.Identity)
	if f.Speed != "" {
		text += ", " + f.Speed + " Mbit/s"
	}
	if f.Identity.Removable {
		text += ", removable"
	}
	if f.CID != "" {
		text += ", CID " + f.CID
	}
	return text + "; " + disk.SizeText(f.Sectors, f.SectorSize)
}

// blind is what is said where not everything could be looked at.
const blind = "Not every program that runs could be looked at; as root they can, and the guards see more."

// Show says which card it is and what it holds.
func (c *CardNow) Show(u *talk.UI) {
	u.Answerf("The card\n")
	u.Wrapped("  ", c.name())
	if c.Facts.Blind {
		u.Wrapped("  ", blind)
	}
	for i, l := range c.Holds {
		prefix := "                "
		if i == 0 {
			prefix = "  It holds now: "
		}
		u.Wrapped(prefix, l)
	}
}

// part is the same for a page to print.
func (c *CardNow) part() report.Part {
	text, held := "", ""
	if c.Facts.Blind {
		text = blind
	}
	if len(c.Holds) > 0 {
		held = "When it was looked at, before anything was written, it held:"
	}
	return report.NewPart("The card in the reader", report.Text(c.name()), report.Text(text), report.Text(held),
		report.List(c.Holds))
}

// CardWrite is the writing of a planned card to a device, as far as it came.
type CardWrite struct {
	CardNow
	Plan     *plan.Plan
	PlanPath string
	Flags    string         // that a next command about the same plan needs
	Receipt  string         // its path
	Try      int            // which try it is with this card, from 1
	Came     string         // the stage at which a write stopped that is continued; empty: it begins
	Upto     disk.Sector    // the data before this sector was on the card then
	Finished bool           // all was written, and only the receipt does not say so
	KeepAll  bool           // the receipt keeps all that is replaced
	Least    string         // how long it takes at least, a sentence; empty: nobody knows
	Starts   *starts.Report // nil if nobody asked

	Line    string               // to type after a rehearsal
	Refused safety.Refusals      // why it may not be written
	Stopped *safety.Stopped      // nil unless it stopped before its end
	Written *safety.DeviceResult // nil unless it came to its end
}

// steps say what will happen: what is different this time, the steps, and what is beside
// them.
func (c *CardWrite) steps() (first string, steps, beside []string) {
	switch {
	case c.Finished:
		first = "All of it was written, and only the receipt does not say so. The whole card is compared with the " +
			"plan; if it is as planned, that is noted, and nothing is written."
	case c.Came != "":
		first = "An unfinished write is continued; it stopped at: " + c.Came
		if c.Upto > 0 {
			first += fmt.Sprintf(", with the data before sector %s on the card", disk.Grouped(c.Upto))
		}
		first += "."
	}
	count := func(op layout.Op) string { return disk.Grouped(c.Plan.Sectors(op)) }
	left := c.Plan.Sectors(layout.Leave)
	written := c.Plan.Target.Sectors - left
	steps = []string{
		"Both ends of the card and the places of its tables become blank, old and new ones. " +
			"From here on it is no disk for any system, until the last step.",
		fmt.Sprintf("%s (%s) are written and read back past every cache: %s copied from the drive, %s made new, %s zeros.",
			disk.Counted(written, "sector"), disk.BytesText(int64(written)*int64(c.Plan.Target.SectorSize)),
			count(layout.Copy), count(layout.Render), count(layout.Zero)),
		"Second copies of tables, then first copies, then sector 0; each is flushed and read back.",
	}
	if left > 0 {
		beside = append(beside, sectors(left, "are not touched."))
	}
	if c.Least != "" {
		beside = append(beside, c.Least)
	}
	return first, steps, beside
}

// WillHappen stands above what a rehearsal foretells.
const WillHappen = "What will happen"

// undo says what undo could bring back.
func (c *CardWrite) undo() report.Part {
	text := "The tables and both ends, as long as the data of step 2 was not begun; after that nothing. " +
		"To keep everything that is replaced, at the price of its space: --keep all"
	if c.KeepAll {
		text = "Everything: whatever is replaced is kept in the receipt first, compressed."
	}
	return report.NewPart("What undo could bring back", report.Text(text), report.Text("Receipt: "+c.Receipt))
}

// try says that the card was written before; empty if it was not.
func (c *CardWrite) try() string {
	if c.Try < 2 {
		return ""
	}
	return fmt.Sprintf("By the receipts beside the plan, this card or one just like it was written here before: this is "+
		"try %d.", c.Try)
}

// Rehearsed says what will happen.
func Rehearsed(u *talk.UI, c *CardWrite) {
	u.Answerf("REHEARSAL: %s onto %s\n\n", c.PlanPath, c.Path)
	c.Show(u)
	if text := c.try(); text != "" {
		u.Wrapped("  ", text)
	}
	u.Answerf("\n%s\n", WillHappen)
	first, steps, beside := c.steps()
	if first != "" {
		u.Wrapped("  ", first)
	}
	for i, s := range steps {
		u.Wrapped(fmt.Sprintf("  %d. ", i+1), s)
	}
	for _, s := range beside {
		u.Wrapped("     ", s)
	}
	if c.Starts != nil {
		StartsBriefly(u, c.Starts, words.Shell(c.PlanPath)+c.Flags)
	}
	u.Answerf("\n%s\n", c.undo().Heading)
	for _, b := range c.undo().Blocks {
		u.Wrapped("  ", fmt.Sprint(b))
	}
}

// CardWritten says what was written to a card.
func CardWritten(u *talk.UI, c *CardWrite) {
	res := c.Written
	u.Answerf("%s is written and read back: %s\n  %s written", c.Path,
		disk.SizeText(res.Sectors, c.Plan.Target.SectorSize), disk.Counted(res.Written, "sector"))
	if res.Left > 0 {
		u.Answerf(", %s not touched", disk.Grouped(res.Left))
	}
	u.Answerf("\n")
	u.Wrapped("  ", stillThere)
	u.Answerf("  receipt: %s\n", res.Receipt)
}

// stillThere is what the last look at a card says.
const stillThere = "what was written first was still there at the end: it is no card that only repeats itself"

// AgainLine compares the card once more.
func (c *CardWrite) AgainLine() string {
	return words.AsNow(fmt.Sprintf("bootgraft verify %s %s%s", words.Shell(c.PlanPath), words.Shell(c.Path), c.Flags))
}

// Answer is all of that for a page to print.
func (c *CardWrite) Answer() Answer {
	switch {
	case c.Written != nil:
		return c.writtenAnswer()
	case c.Stopped != nil && c.Stopped.Touched:
		return Answer{First: []report.Part{c.stoppedPart(), c.part()}}
	case len(c.Refused) > 0:
		a := Answer{State: c.state(), Told: true, First: []report.Part{c.refusedPart(), c.part()}}
		for _, r := range c.Refused {
			if strings.HasPrefix(r.Do, "bootgraft ") {
				a.Next = append(a.Next, r.Do)
			}
		}
		return a
	case c.Line != "":
		return c.rehearsedAnswer()
	}
	return Answer{First: []report.Part{c.part()}}
}

func (c *CardWrite) rehearsedAnswer() Answer {
	first, steps, beside := c.steps()
	for i := range steps {
		steps[i] = fmt.Sprintf("Step %d: %s", i+1, steps[i])
	}
	happens := report.NewPart(WillHappen, report.Text(c.try()), report.Text(first), report.List(append(steps, beside...)))
	a := Answer{
		Verdict: "A rehearsal: nothing has been written yet. The line below does it.", State: "not written yet",
		Next: []string{c.Line}, First: []report.Part{c.part(), happens}}
	if c.Starts != nil {
		a.First = append(a.First, startsPart(c.Starts))
	}
	a.First = append(a.First, c.undo(),
		report.NewPart("Before you go on", report.List(WriteCautions[:2])))
	return a
}

func (c *CardWrite) writtenAnswer() Answer {
	r := c.Written
	t := writtenTable(r.Written, "written and read back", r.Left, "not touched", r.Missing)
	return Answer{
		Verdict: fmt.Sprintf("%s is written and read back: %s.", c.Path, disk.SizeText(r.Sectors, c.Plan.Target.SectorSize)),
		Next:    []string{c.AgainLine()},
		First: []report.Part{report.NewPart("What was written", t, report.Text(sentenceOf(stillThere)),
			report.Text("Receipt: "+r.Receipt)), c.part()},
	}
}

// stoppedPart says how far a write came, and what the card is until it goes on.
func (c *CardWrite) stoppedPart() report.Part {
	is := "not known: do not use it before it is written to its end"
	if c.Stopped.Fenced {
		is = "no disk for any system: its sector 0 is blank until the last step"
	}
	var facts report.Facts
	facts.Add("it stopped at", string(c.Stopped.Stage))
	facts.Add("the card is", is)
	facts.Add("why", c.Stopped.Err.Error())
	facts.Add("the receipt that goes on", c.Receipt)
	return report.NewPart("How far it came", report.Named(facts))
}

func (c *CardWrite) refusedPart() report.Part {
	t := report.NewTable("code | why | what to do")
	for _, r := range c.Refused {
		t.Add(string(r.Code), r.Why, r.Do)
	}
	return report.NewPart("Why it is not written", t)
}

// state is that of a card that is refused: what would have to be accepted, or that it does
// not fit.
func (c *CardWrite) state() string {
	var codes []disk.Code
	for _, r := range c.Refused {
		switch {
		case r.Code == disk.TargetSize:
			return "does not fit"
		case !register.Acceptable(r.Code):
			return "refused"
		case !slices.Contains(codes, r.Code):
			codes = append(codes, r.Code)
		}
	}
	return onlyIf(codes)
}

// WriteCautions are the usual ones before a card is written.
var WriteCautions = [...]string{
	"Is it the right card? Read its size and name above once more, and pull every disk that is not needed.",
	"Keep the old drive as it is, and write only while you can leave the card in its reader.",
	"Inside the device: mains and battery voltages, charged capacitors, static discharge and hot tools can hurt you and " +
		"it. Unplug it, take out the battery, follow your local rules, and leave to licensed people what is theirs. More " +
		"in SAFETY.md.",
}
