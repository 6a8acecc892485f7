package page

import (
	"fmt"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
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
	u.Answerf("%s", report.Screen(a.copies()...))
	showCarried(u, a)
	showFor(u, a)
	showAdvice(u, a)
	Findings(u, a.Findings)
	nextOriginals(u, a)
}

// nextOriginals is what to type when the rules are known.
func nextOriginals(u *talk.UI, a *Originals) {
	if a.Out != "" {
		u.Answerf("\nThe rules are in %s. Next, a card of another size:\n\n  %s\n", a.Out, a.NextLine())
		return
	}
	u.Answerf("\nNo rules were kept; -o RULES keeps them for a plan.\n")
}

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

func showFields(u *talk.UI, a *Originals) {
	if len(a.Fields) == 0 {
		u.Answerf("\nNo number that follows the size was found.\n")
		return
	}
	u.Answerf("\n%s:\n", fieldsHeading)
	for i := range a.Fields {
		if enough(u, i, len(a.Fields)) {
			return
		}
		f := &a.Fields[i]
		u.Wrapped("  ", fmt.Sprintf("%s: %s, %s", f.Place, f.Ways[0].Encoding.Text(), knownText(f)))
		all := f.Different()
		u.Wrapped("      ", all[0].Text+follows(f))
		also := ""
		if n := len(f.Readings()) - len(all); n > 0 {
			also = fmt.Sprintf("; it may be longer or shorter than that: %s to read it fit as well",
				disk.Counted(n, "other way"))
			if n == 1 {
				also = "; it may be longer or shorter than that: 1 other way to read it fits as well"
			}
		}
		u.Wrapped("      ", fmt.Sprintf("%s%s%s", predicted(f.Bits), because(f.Doubt), also))
		for j, other := range all[1:] {
			if j == maxReadings {
				u.Answerf("      ... and %s more; all of them with --json\n", disk.Grouped(len(all)-1-j))
				break
			}
			where := ""
			if other.Byte != f.Byte || other.Encoding != f.Ways[0].Encoding {
				where = fmt.Sprintf(" (byte %d: %s)", other.Byte, other.Encoding.Text())
			}
			u.Wrapped("      or ", other.Text+where)
		}
	}
}

// follows says what N is where it is not the size.
func follows(f *compare.Field) string {
	if f.On == nil {
		return ""
	}
	return fmt.Sprintf(", where N is the number at %s", f.On)
}

func because(doubt string) string {
	if doubt == "" {
		return ""
	}
	return "; " + doubt
}

// enough ends a list that would be too long to read.
func enough(u *talk.UI, i, n int) bool {
	if i < maxRuleRows || n == maxRuleRows+1 {
		return false
	}
	u.Answerf("  ... and %s more; all of them with --json\n", disk.Grouped(n-i))
	return true
}

func showChecks(u *talk.UI, a *Originals) {
	if len(a.Checks) == 0 {
		return
	}
	u.Answerf("\n%s:\n", checksHeading)
	for i := range a.Checks {
		if enough(u, i, len(a.Checks)) {
			return
		}
		c := &a.Checks[i]
		u.Wrapped("  ", fmt.Sprintf("%s: %s, %s", c.Place, c.Ways[0].Encoding.Text(), c.State()))
		u.Wrapped("      ", overText(c, a.SectorSize))
		more := ""
		if n := len(c.Ways) - 1; n > 0 {
			more = fmt.Sprintf("; %s the originals as well", fits(n))
		}
		u.Wrapped("      ", fmt.Sprintf("%s%s%s", predicted(c.Bits), because(c.Doubt), more))
	}
}

// overText says what a checksum computes, over what.
func overText(c *compare.Check, sectorSize int) string {
	return fmt.Sprintf("%s over %s", sumText(c.Ways[0].Sum), sumSpanText(c.Ways[0], sectorSize))
}

func fits(n int) string {
	if n == 1 {
		return "1 other span or sum fits"
	}
	return disk.Grouped(n) + " other spans or sums fit"
}

// copies says what repeats what.
func (a *Originals) copies() (out []report.Part) {
	if len(a.Copies) > 0 {
		out = append(out, report.NewPart("Copies", report.TableOf("  (what is repeated)", len(a.Copies),
			func(i int) []string { return []string{copyText(&a.Copies[i])} })))
	}
	return out
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

// showFor says what a card of one size would hold.
func showFor(u *talk.UI, a *Originals) {
	if a.Card == 0 {
		return
	}
	r := a.Likeliest(a.Card)
	v := r.For(a.Card)
	u.Answerf("\nA card of %s:\n", disk.SizeText(a.Card, a.SectorSize))
	if text := r.CountedText(a.Card, a.TailReach() > 0); text != "" {
		u.Wrapped("  ", text)
	}
	for i := range a.Fields {
		if enough(u, i, len(a.Fields)) {
			break
		}
		f := &a.Fields[i]
		answer, err := r.Answer(f, a.Card)
		if err != nil {
			u.Wrapped("  ", fmt.Sprintf("impossible: %v", err))
			continue
		}
		u.Wrapped("  ", fmt.Sprintf("%s would hold %s, %s%s", f.Place, disk.Grouped(int64(answer.Value)), answer.State,
			because(answer.Why)))
		showOthers(u, answer)
	}
	u.Answerf("%s.\n", v)
}

// showOthers lists the other numbers that may stand there.
func showOthers(u *talk.UI, answer compare.Answer) {
	for i, o := range answer.Others {
		if i == maxReadings {
			u.Answerf("      ... and %s more; all of them with --json\n", disk.Grouped(len(answer.Others)-i))
			return
		}
		where := ""
		if o.Bytes != nil && o.Byte != answer.Byte {
			where = fmt.Sprintf(" (byte %d)", o.Byte)
		}
		u.Wrapped("      or ", fmt.Sprintf("%s: %s%s", disk.Grouped(int64(o.Value)), o.Formula, where))
	}
}

// showAdvice says which other original would decide most.
func showAdvice(u *talk.UI, a *Originals) {
	list, card := a.Advice(a.Card)
	if len(list) == 0 {
		return
	}
	u.Answerf("\n")
	u.Wrapped("", fmt.Sprintf(
		"For a card of %s sectors, one more original decides most if it has one of these sizes, or one like them: "+
			"another unit's drive, or a card of that size which the device itself has initialised. "+
			"What so few bytes foretell may need one more after it.",
		disk.Grouped(card)))
	for _, x := range list {
		left := "every number would be decided"
		if x.Left > 0 {
			left = disk.Counted(x.Left, "number") + " would still be undecided"
		}
		u.Answerf("  %15s sectors (%s): %s\n", disk.Grouped(x.Size), disk.BytesText(int64(x.Size)*int64(a.SectorSize)), left)
	}
}

// Originals is what there is to say about several originals.
type Originals struct {
	*compare.Comparison
	Dumps []compare.Dump
	Card  disk.Sector // 0 if nobody asked for one
	Out   string
	Again string // flags that a next command about the first one needs
}
