package page

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/diff"
)

// Changed says what a device did to a card. next is the command that compares
// the card as an original, if it is one.
func Changed(u *talk.UI, before, after string, r *diff.Report, next string) {
	u.Answerf("before: %s\nafter:  %s\n%s\n", before, after, disk.Counted(r.Sectors, "sector"))
	u.Answerf("%s compared, %s of them different\n\n", disk.Counted(r.Compared, "sector"), disk.Grouped(r.Changed))
	t := changedTable(r)
	t.Columns[3].Name = "what happened"
	u.Answerf("%s%s", t.Screen(), report.Screen(written(r)))
	for _, text := range kindTexts(r) {
		u.Answerf("\n")
		u.Wrapped("  ", text)
	}
	if len(r.Files.Added)+len(r.Files.Removed)+len(r.Files.Changed)+len(r.Files.Desktop) > 0 {
		u.Answerf("\n")
	}
	for _, x := range changedFiles(&r.Files, "desktop") {
		for _, name := range someOf(x.names, maxRuleRows, "... "+restInJSON) {
			u.Answerf("  %-8s %s\n", x.what, words.Printable(name))
		}
	}
	nextChanged(u, r, next)
}

// nextChanged is what to type when it is known what a device did.
func nextChanged(u *talk.UI, r *diff.Report, next string) {
	switch {
	case next != "":
		u.Next("Next, what the device made and the old drive have in common:", next)
	case r.Original:
		u.Answerf("\n")
		u.Wrapped("", anOriginal)
	}
}

// anOriginal is what can be done with a card on which the device made its own layout.
const anOriginal = "Compare it with an original of another size: bootgraft compare, with both of them."

// changedFiles are the files that a device changed, and those of a desktop, which has
// made what else was added.
func changedFiles(c *diff.FileChanges, desktop string) []namedFiles {
	added := slices.DeleteFunc(slices.Clone(c.Added), func(name string) bool { return slices.Contains(c.Desktop, name) })
	return []namedFiles{{"added", added}, {"removed", c.Removed}, {"changed", c.Changed}, {desktop, c.Desktop}}
}

// changedText says what happened to a region.
func changedText(r *diff.Region) string {
	text := r.Name + ": "
	switch {
	case r.Unknown == r.Count:
		text += "not known, so not compared"
	case r.Changed == 0:
		text += "untouched"
	case r.Changed == 1:
		text += fmt.Sprintf("%s of sector %s changed", disk.Counted(r.Bytes, "byte"), disk.Grouped(r.First))
	default:
		text += fmt.Sprintf("%s in %s changed, %d to %d", disk.Counted(r.Bytes, "byte"), disk.Counted(r.Changed, "sector"),
			r.First, r.Last)
	}
	if r.Restored > 0 {
		text += fmt.Sprintf("; %s of these sectors now as the other end of the disk", disk.Grouped(r.Restored))
	}
	if r.Unknown > 0 && r.Unknown < r.Count {
		text += fmt.Sprintf("; %s not known, so not compared", disk.Grouped(r.Unknown))
	}
	return text
}

// changedTable says what happened where. Bytes are for whoever sits before the terminal.
func changedTable(r *diff.Report) report.Table {
	t := report.TableOf(runColumns, len(r.Regions), func(i int) []string {
		g := &r.Regions[i]
		return []string{disk.Grouped(g.Start), disk.Grouped(g.Count), string(g.Role), changedText(g)}
	})
	for i := range t.Rows {
		var bytes []string
		for _, n := range r.Regions[i].Numbers {
			if r.Regions[i].Role != layout.RoleVolume {
				bytes = append(bytes, fmt.Sprintf("sector %d, byte %d: %x -> %x", n.Sector, n.Byte, n.Was, n.Is))
			}
		}
		t.Below = append(t.Below, bytes)
	}
	return t
}

// kindTexts say what a device did to this card.
func kindTexts(r *diff.Report) (out []string) {
	for _, k := range r.Kinds {
		if k == diff.NewFormat && !r.Original && len(r.Volumes) > 0 {
			continue // the volumes alone were made new, which is a kind of its own
		}
		out = append(out, KindTexts[k])
	}
	return out
}

// KindTexts say what a device did, and what to do now.
var KindTexts = map[diff.Kind]string{
	diff.Untouched: "Not one of the compared sectors differs. The device probably never reached the card: look at " +
		"the adapter, " +
		"at master and slave, at the transfer mode (DMA), at the mark of a fixed disk that a card may not have, " +
		"and at power. " +
		"If it started all the same, it writes nothing at start.",
	diff.Numbers: "The device wrote the size of the card: it reached the card, asked it for its size, and keeps that " +
		"number where it is " +
		"listed. A plan has to put the same there; compare several originals and plan with --rules.",
	diff.Checksums: "Checksums were made new. The device keeps them itself, or found one broken: a plan that changes " +
		"what they are over " +
		"has to make them new too.",
	diff.Counted: "A few bytes of the boot areas changed, and nothing proves them a number about the size: a counter, " +
		"a clock or a " +
		"note. The device started, or began to, and took the layout for its own so far.",
	diff.Files: "A volume changed inside: files were added, changed or removed. The device found its volume and " +
		"works with it.",
	diff.Content: "Bytes inside a volume changed, and no name, size or date of a file with them. A card that does " +
		"not keep what was written looks like this, or a reader that changes it; so does a device that writes into " +
		"a file and leaves its entry as it is. Read the card once more, and test it.",
	diff.Mounted: "A volume changed as every system changes it when it mounts it, and no file did. If no computer had " +
		"the card meanwhile, " +
		"the device found its volume.",
	diff.Desktop: "A computer's desktop mounted the card and left files of its own. That says nothing about the " +
		"device, and may " +
		"be why it does not start: write the card again, and pull it when it is told.",
	diff.TailFromHead: "Sectors of the tail now hold what the head held: the copies disagreed, and the device " +
		"believes the head. " +
		"The next plan has to write the same in both; compare several originals and plan with --rules.",
	diff.HeadFromTail: "Sectors of the head now hold what the tail held: the copies disagreed, and the device " +
		"believes the tail. " +
		"Whatever is changed in the head alone will be undone like this; compare several originals and plan with --rules.",
	diff.Mended: "Sectors now hold what a copy of them near by held: the device believes that copy. Whatever " +
		"is changed in " +
		"one of them alone will be undone like this.",
	diff.Rewritten: "The boot areas changed in more than a few bytes, and not from each other. The device has worked on " +
		"them: compare it " +
		"with the originals of other sizes to see what it wrote.",
	diff.NewFormat: "The device did not know the layout, or did not like it, and made its own. Keep this image: " +
		"it shows what " +
		"the device wants for this size, and is an original to compare with the others. What it left as it was is still " +
		"the plan's: " +
		"an original without that is a card of zeros that the device makes a layout on. Never let it do so on the old drive.",
	diff.NewVolume: "A volume was made new, and what was in it is gone. If nobody did that on a computer, the " +
		"device did not " +
		"like the volume that it found.",
}

// ChangedBrief is the first screen about what a device did.
func ChangedBrief(r *diff.Report, next string, advice Advice) *Brief {
	b := &Brief{Verdict: []string{fmt.Sprintf("%s of %s compared %s different.", disk.Counted(r.Changed, "sector"),
		disk.Grouped(r.Compared), disk.IsAre(r.Changed))}}
	for _, text := range kindTexts(r) {
		first, _, _ := strings.Cut(text, ". ")
		b.Verdict = append(b.Verdict, "- "+strings.TrimSuffix(first, ".")+".")
	}
	for i := range r.Regions {
		const most = 6
		if g := &r.Regions[i]; g.Changed > 0 && len(b.Facts) < most {
			b.Facts.Add("from "+disk.Grouped(g.Start), changedText(g))
		}
	}
	b.Next = func(u *talk.UI) {
		nextChanged(u, r, next)
		NoStart(u, advice)
	}
	return b
}

// ChangedAnswer is what a device did to a card, for a page to print. next is what to type,
// or nothing; advice is for a card that did not start.
func ChangedAnswer(r *diff.Report, next string, advice Advice) Answer {
	out := Answer{Verdict: ChangedBrief(r, next, advice).Verdict[0], First: changedParts(r)}
	switch {
	case next != "":
		out.Next = []string{next}
	case r.Original:
		out.First[0].Blocks = append(out.First[0].Blocks, report.Text(anOriginal))
	}
	if advice.Next != "" {
		p := report.NewPart("If it did not start", report.Named(advice.facts()))
		if len(advice.Typed) > 0 {
			p.Blocks = append(p.Blocks, report.Typed(strings.Join(advice.Typed, "\n")))
		}
		p.Blocks = append(p.Blocks, report.Text("All symptoms: bootgraft help no-start"))
		out.First = slices.Insert(out.First, 1, p)
	}
	return out
}

func changedParts(r *diff.Report) []report.Part {
	names := report.NewTable(" | volume:file")
	for _, x := range changedFiles(&r.Files, "by a desktop") {
		for _, name := range x.names {
			names.Add(x.what, name)
		}
	}
	return []report.Part{report.NewPart("What that means", report.List(kindTexts(r))),
		report.NewPart("What happened where", changedTable(r)), written(r), report.Private("Files", names),
		cautionsPart(), findingsPart(r.Findings)}
}
