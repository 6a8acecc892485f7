package page

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/compare"
)

// maxRuleRows keeps the page of a comparison readable; maxReadings what is
// said of one number.
const (
	maxRuleRows = 40
	maxReadings = 4
)

// Comparison writes what several originals have in common for a person.
func Comparison(u *talk.UI, a *Originals) {
	u.Wrapped("", fmt.Sprintf(
		"%s of one model; compared are the first %s and the last %s sectors:",
		disk.Counted(len(a.Dumps), "original"), disk.Grouped(a.Head), disk.Grouped(a.Tail)))
	u.Answerf("\n")
	for i, d := range a.Dumps {
		unit := ""
		if d.Unit != "" {
			unit = ", " + d.Unit
		}
		u.Answerf("  %2d  %s%s\n      %s\n", i+1, d.Name, unit,
			disk.SizeText(disk.Sector(d.Source.Size()/int64(d.Source.SectorSize())), d.Source.SectorSize()))
	}
	u.Answerf("\nOf their bytes\n%s", a.bytesTable().Screen())
	showFields(u, a)
	showChecks(u, a)
	u.Answerf("%s", report.Screen(a.copies()))
	showCarried(u, a)
	showFor(u, a)
	u.Answerf("%s", report.Screen(a.advicePart()))
	Findings(u, a.Findings)
	nextOriginals(u, a)
}

// nextOriginals is what to type when the rules are known.
func nextOriginals(u *talk.UI, a *Originals) {
	if a.Out != "" {
		u.Next(fmt.Sprintf("The rules are in %s. Next, a card of another size:", a.Out), a.NextLine())
		return
	}
	u.Answerf("\n%s\n", noRules)
}

// noRules is said where they are not.
const noRules = "No rules were kept; -o RULES keeps them for a plan."

// NextLine plans a card with the rules.
func (a *Originals) NextLine() string {
	return fmt.Sprintf("bootgraft plan %s --size Ns --rules %s%s -o card.plan", words.Shell(a.Dumps[0].Name),
		words.Shell(a.Out), a.Again)
}

// classes are the classes in the order in which they are told.
var classes = []compare.Class{
	compare.Constant, compare.Size, compare.Address, compare.Checksum, compare.Copy, compare.CopyNumber,
	compare.Unexplained, compare.Identity, compare.Volatile, compare.Content, compare.Unknown, compare.NotRead,
}

// classText says what a class is, as the sequel of "bytes".
var classText = map[compare.Class]string{
	compare.Constant: "are the same on all", compare.Size: "follow the size",
	compare.Address:  "are addresses counted from the end",
	compare.Checksum: "are checksums", compare.Copy: "repeat others", compare.CopyNumber: "number the copies",
	compare.Unexplained: "follow the size, and no rule explains them",
	compare.Identity:    "belong to the unit", compare.Volatile: "change by themselves", compare.Content: "are content",
	compare.Unknown: "differ, and nothing explains them", compare.NotRead: "are not known on all, and were not compared",
}

// bytesTable counts the bytes of the originals by their classes.
func (a *Originals) bytesTable() report.Table {
	t := report.NewTable("  (bytes)>15 | (that)")
	for _, c := range classes {
		if n := a.Bytes[c]; n > 0 {
			t.Add(disk.Grouped(n), classText[c])
		}
	}
	return t
}

const (
	fieldsHeading = "Numbers that follow the size, N = sectors of the disk"
	checksHeading = "Checksums; their own bytes count as zeros in their spans"
)

// some shows the first of n things, and counts those that are too many to read.
func some(u *talk.UI, n int, show func(i int)) {
	for i := range n {
		if i == maxRuleRows && n > maxRuleRows+1 {
			u.Answerf("  ... "+restInJSON+"\n", disk.Grouped(n-i))
			return
		}
		show(i)
	}
}

// copies says what repeats what.
func (a *Originals) copies() report.Part {
	return report.NewPart("Copies", report.TableOf("  (what is repeated)", len(a.Copies),
		func(i int) []string { return []string{copyText(&a.Copies[i])} }))
}

// copyText says what repeats what.
func copyText(c *compare.CopyRule) string {
	verb, back := "is", ""
	if c.Count > 1 {
		verb = "are"
	}
	if c.Back {
		back = " in reverse order"
	}
	text := fmt.Sprintf("%s %s repeated in %s%s%s", placesText(c.Of, c.Count, false), verb,
		placesText(c.To, c.Count, c.Back), back, orderText(c.Order))
	own := 0
	for _, s := range c.Own {
		own += s.Count
	}
	if own > 0 {
		text += fmt.Sprintf("; %s of the copy are its own", disk.Counted(own, "byte"))
	}
	return text
}

func showCarried(u *talk.UI, a *Originals) {
	if len(a.Carried) == 0 {
		return
	}
	u.Answerf("\nWithout a rule; a card gets these bytes as the source has them:\n")
	for _, class := range classes {
		total, places := 0, []string{}
		for _, s := range a.Carried {
			if s.Class != class {
				continue
			}
			total += s.Count
			places = append(places, stretchText(s, a.SectorSize))
		}
		if more := len(places) - maxReadings; more > 0 {
			places = append(places[:maxReadings], fmt.Sprintf("and %s; all of them with --json",
				disk.Counted(more, "more place")))
		}
		if total > 0 {
			u.Wrapped("  ", fmt.Sprintf("%s that %s:", disk.Counted(total, "byte"), classText[class]))
			u.Wrapped("      ", strings.Join(places, "; "))
		}
	}
}

// stretchText names a run of bytes.
func stretchText(s compare.Stretch, sectorSize int) string {
	if s.Count >= sectorSize {
		return placesText(s.Place, disk.Sector(s.Count/sectorSize), false)
	}
	if s.Count == 1 {
		return s.Place.String()
	}
	return fmt.Sprintf("%s to %d", s.Place, s.Byte+s.Count-1)
}

// Originals is what there is to say about several originals.
type Originals struct {
	*compare.Comparison
	Dumps []compare.Dump
	Card  disk.Sector // 0 if nobody asked for one
	Out   string
	Again string // flags that a next command about the first one needs

	Advised []compare.Advice // sizes of which one more original would decide most
	For     disk.Sector      // the card for which they would
}

// ComparisonBrief is the first screen about several originals.
func ComparisonBrief(a *Originals) *Brief {
	b := &Brief{Findings: a.Findings}
	proved := 0
	for i := range a.Fields {
		if a.State(&a.Fields[i]) == compare.Proved {
			proved++
		}
	}
	b.Verdict = []string{fmt.Sprintf("%s of one model. Numbers that follow the size: %s, proved of them: %s.",
		disk.Counted(len(a.Dumps), "original"), disk.Grouped(len(a.Fields)), disk.Grouped(proved))}
	for i := range a.Fields {
		const most = 6
		if i == most {
			b.Facts.Add("", "and "+disk.Counted(len(a.Fields)-i, "more number"))
			break
		}
		f := &a.Fields[i]
		b.Facts.Add(f.Place.String(), f.Different()[0].Text+": "+knownText(&a.Rules, f))
	}
	b.Facts.Add("beside them", disk.Counted(len(a.Checks), "checksum")+", "+copiesText(len(a.Copies)))
	if a.Card > 0 {
		r := a.Likeliest(a.Card)
		b.Facts.Add("card of "+disk.Counted(a.Card, "sector"), decided(r.For(a.Card)))
	}
	b.Next = func(u *talk.UI) { nextOriginals(u, a) }
	return b
}

func copiesText(n int) string {
	if n == 1 {
		return "1 copy"
	}
	return disk.Grouped(n) + " copies"
}

// ComparisonAnswer is what several originals have in common, for a page to print.
func ComparisonAnswer(a *Originals) Answer {
	out := Answer{Verdict: ComparisonBrief(a).Verdict[0], First: comparisonParts(a)}
	if a.Out != "" {
		out.Next = []string{a.NextLine()}
	}
	return out
}

func comparisonParts(a *Originals) (out []report.Part) {
	add := func(heading string, blocks ...report.Block) { out = append(out, report.NewPart(heading, blocks...)) }
	add("The originals", report.TableOf("> | original | sectors>", len(a.Dumps),
		func(i int) []string { return dumpRow(i, &a.Dumps[i]) }),
		report.Textf("Compared are the first %s and the last %s sectors.", disk.Grouped(a.Head), disk.Grouped(a.Tail)))
	add("Their bytes", a.bytesTable())
	if len(a.Fields) == 0 {
		add("Numbers that follow the size", report.Text("None was found."))
	}
	add(fieldsHeading, report.TableOf("where | how written | what | how sure", len(a.Fields),
		func(i int) []string { return fieldRow(&a.Rules, &a.Fields[i]) }))
	add(checksHeading, report.TableOf("where | what | how sure", len(a.Checks), func(i int) []string {
		c := &a.Checks[i]
		return []string{c.Place.String(), overText(c, a.SectorSize),
			fmt.Sprintf("%s: %s%s", c.State(), predicted(c.Bits), because(c.Doubt))}
	}))
	out = append(out, a.copies())
	add("Without a rule: a card gets these bytes as the source has them",
		report.TableOf("bytes> | where | that", len(a.Carried), func(i int) []string {
			s := a.Carried[i]
			return []string{disk.Grouped(s.Count), stretchText(s, a.SectorSize), classText[s.Class]}
		}))
	if a.Card > 0 {
		out = append(out, a.cardPart())
	}
	out = append(out, a.advicePart())
	if a.Out == "" {
		add("The rules", report.Text(noRules))
	}
	return append(out, cautionsPart(), findingsPart(a.Findings))
}

// dumpRow is one original.
func dumpRow(i int, d *compare.Dump) []string {
	name := d.Name
	if d.Unit != "" {
		name += ", " + d.Unit
	}
	return []string{fmt.Sprint(i + 1), name, disk.Grouped(image.Sectors(d.Source))}
}
