package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/compare"
	"bootgraft/safety"
)

const compareHelp = `Compares the heads and tails of several originals of one model, images or
captures of drives of different sizes, and finds what follows the size: numbers
with their formula, checksums, copies. What is predicted of every original by the
others, far beyond chance, is proved; the rest is undecided, with every other
reading that fits, or has no rule. Two sizes decide what is simple; three or
more decide the rest.

  bootgraft compare small.img large.img other.img -o model.rules
  bootgraft plan small.img --size 31116288s --rules model.rules -o card.plan

Two originals of one size tell what belongs to the unit from what belongs to the
size. One unit before and after a start tells what changes by itself:

  bootgraft compare a.img b.img later.img --same-unit 1,3

What did the device change on a card? Compare the card, read back as an image,
with its plan, or with its image before:

  bootgraft compare --before card.plan --source old.img --after card-later.img
  bootgraft compare --before card.img --after card-later.img`

type compareFlags struct {
	head, tail string
	sameUnit   []string
	target     string
	out        string
	replace    bool
	sectorSize int

	before, after string
	source        input.PlanSourceFlags // of the plan of a card; what is accepted is so of every source
	report        reportFlags
}

func compareCommand(u *talk.UI) *cobra.Command {
	var f compareFlags
	c := &cobra.Command{
		Use:   "compare SOURCE SOURCE... [-o RULES] | compare --before PLAN|IMAGE --after IMAGE",
		Short: "find what follows the size, or what a device changed",
		Long:  compareHelp,
		Args:  cobra.ArbitraryArgs,
		RunE: func(c *cobra.Command, args []string) error {
			title := "What follows the size"
			if f.before != "" {
				title = "What a device did to a card"
			}
			f.report.names = append(slices.Clone(args), f.before, f.after, f.source.Source)
			return f.report.around(u, title, func() error { return input.Refused(u, f.run(c, u, args)) })
		},
	}
	fl := c.Flags()
	fl.StringVar(&f.head, "head", "64MiB", "how much of the start is compared: a size, or head:SIZE")
	fl.StringVar(&f.tail, "tail", "64MiB", "how much of the end is compared: a size, or tail:SIZE")
	fl.StringArrayVar(&f.sameUnit, "same-unit", nil,
		"A,B: these two are one unit before and after; numbers of the sources as given, from 1, or their paths; "+
			"may be repeated")
	fl.StringVar(&f.target, "for", "", "say what a card of this size would hold, and how far that is decided")
	fl.StringVarP(&f.out, "output", "o", "", "write the rules to this file")
	fl.BoolVar(&f.replace, "replace", false, "replace an existing rule file")
	input.SectorSizeFlag(c, &f.sectorSize)
	f.report.Add(c)
	fl.StringVar(&f.before, "before", "", "the plan of the card, or its image, before the device had it")
	fl.StringVar(&f.after, "after", "", "the card, read back as an image, after the device had it")
	f.source.Add(c)
	f.source.Bar = u.Bar
	for _, name := range []string{"source", "record"} {
		fl.Lookup(name).Usage = "with --before PLAN: " + fl.Lookup(name).Usage
	}
	return c
}

func (f *compareFlags) run(c *cobra.Command, u *talk.UI, args []string) error {
	changed := f.before != "" || f.after != ""
	switch {
	case changed && (f.before == "" || f.after == "" || len(args) > 0):
		return talk.Usagef("to say what a device changed, give --before and --after, and no other sources\nTry: bootgraft " +
			"compare --help")
	case changed && (f.out != "" || f.target != "" || len(f.sameUnit) > 0):
		return talk.Usagef("-o, --for and --same-unit belong to a comparison of several originals, not to " +
			"--before and --after")
	case changed:
		return f.changed(c, u)
	case f.source.Source != "" || f.source.Record != "":
		return talk.Usagef("--source and --record belong to --before PLAN")
	case len(args) < 2:
		return talk.Usagef("a comparison needs at least two originals\nTry: bootgraft compare --help")
	}
	return f.originals(c, u, args)
}

// originals compares several originals, keeps their rules and says what they are.
func (f *compareFlags) originals(c *cobra.Command, u *talk.UI, args []string) error {
	opt, err := f.options()
	if err != nil {
		return err
	}
	sources, done, err := f.open(args)
	defer done()
	if err != nil {
		return err
	}
	var reads input.Source
	for _, s := range sources {
		s.SayDamage(u)
		reads.Files = append(reads.Files, s.Files...)
	}
	if err := input.FileFree(f.out, safety.RuleFile, &reads, f.replace); err != nil {
		return err
	}
	size := input.SourceFlags{SectorSize: sources[0].SectorSize()}
	a := page.Originals{Out: f.out, Again: size.Words()}
	if a.Dumps, err = f.dumps(args, sources); err != nil {
		return err
	}
	if a.Card, err = f.card(sources[0]); err != nil {
		return err
	}
	if a.Comparison, err = runCompare(c, u, a.Dumps, opt); err != nil {
		return err
	}
	if f.out != "" {
		if err := writeRules(f.out, &a.Rules, f.replace, reads.Files); err != nil {
			return err
		}
	}
	f.show(u, &a, sources)
	return nil
}

// card is the size of the card that --for asks about, 0 for none.
func (f *compareFlags) card(source *input.Source) (disk.Sector, error) {
	if f.target == "" {
		return 0, nil
	}
	s, err := input.ParseSize(f.target, source.SectorSize())
	if err != nil {
		return 0, err
	}
	return s.Sectors, s.AsCard(image.Sectors(source), f.target)
}

// runCompare compares under a bar.
func runCompare(c *cobra.Command, u *talk.UI, dumps []compare.Dump, opt compare.Options) (*compare.Comparison, error) {
	var finish func()
	opt.Progress, finish = u.Sectors("comparing", dumps[0].Source.SectorSize())
	defer finish()
	return compare.Run(c.Context(), dumps, opt)
}

// show prints the answer, and where a report is wanted the page for it.
func (f *compareFlags) show(u *talk.UI, a *page.Originals, sources []*input.Source) {
	for _, s := range sources {
		f.report.kept = append(f.report.kept, s.DriveName(), page.IdentityText(input.OriginalOf(s)))
	}
	a.Advised, a.For = a.Advice(a.Card)
	u.Document(document.NewCompare(a.Comparison, a.Dumps, a.Advised, a.Card, f.out))
	f.report.answer = page.ComparisonAnswer(a)
	u.Page(func(u *talk.UI) { page.Comparison(u, a) }, func(u *talk.UI) { page.ComparisonBrief(a).Show(u) })
}

// options reads how much of both ends is compared.
func (f *compareFlags) options() (opt compare.Options, err error) {
	if err := input.CheckSectorSize(f.sectorSize); err != nil {
		return opt, err
	}
	head, tail, err := input.ParseEnds(strings.TrimPrefix(f.head, "head:"), strings.TrimPrefix(f.tail, "tail:"),
		f.sectorSize)
	opt.Head, opt.Tail = head.Sectors, tail.Sectors
	return opt, err
}

// open opens every source; done closes those that were opened.
func (f *compareFlags) open(args []string) (sources []*input.Source, done func(), err error) {
	done = func() {
		for _, s := range sources {
			s.Close()
		}
	}
	for _, path := range args {
		s, err := input.OpenSource(path, f.source.With(f.sectorSize))
		if err != nil {
			return sources, done, err
		}
		sources = append(sources, s)
		for i, other := range sources[:len(sources)-1] {
			if len(s.Files) > 0 && len(other.Files) > 0 && os.SameFile(s.Files[0], other.Files[0]) {
				return sources, done, talk.Usagef("source %d and source %d are one file: %s. A comparison with itself "+
					"proves nothing", i+1, len(sources), path)
			}
		}
	}
	return sources, done, nil
}

// dumps names the unit of every source.
func (f *compareFlags) dumps(args []string, sources []*input.Source) ([]compare.Dump, error) {
	out := make([]compare.Dump, len(sources))
	for i, s := range sources {
		out[i] = compare.Dump{Name: args[i], Source: s}
	}
	for _, pair := range f.sameUnit {
		a, b, ok := strings.Cut(pair, ",")
		i, err1 := whichSource(a, args)
		j, err2 := whichSource(b, args)
		if !ok || err1 != nil || err2 != nil || i == j {
			return nil, talk.Usagef("--same-unit %s is not understood: it is two of the sources, by number from 1 or by path, "+
				"with a comma between", pair)
		}
		if sources[i].Size() != sources[j].Size() {
			return nil, talk.Usagef("--same-unit %s: %s and %s are not of one size, so they are not one disk", pair, args[i],
				args[j])
		}
		unit := out[i].Unit
		if unit == "" {
			if unit = out[j].Unit; unit == "" {
				unit = fmt.Sprintf("unit of %s", args[i])
			}
		}
		for k := range out { // what was joined before stays joined
			if k == i || k == j || out[k].Unit != "" && (out[k].Unit == out[i].Unit || out[k].Unit == out[j].Unit) {
				out[k].Unit = unit
			}
		}
	}
	return out, nil
}

// whichSource finds a source by its number, from 1, or its path.
func whichSource(text string, args []string) (int, error) {
	if i := slices.Index(args, text); i >= 0 {
		return i, nil
	}
	n, err := strconv.Atoi(strings.TrimSpace(text))
	if err == nil && (n < 1 || n > len(args)) {
		err = errors.New("out of range")
	}
	return n - 1, err
}

// writeRules writes the rule file.
func writeRules(path string, r *compare.Rules, replace bool, avoid []os.FileInfo) error {
	r.WrittenBy = build.Program()
	return input.WriteFile(path, safety.RuleFile, replace, avoid, func(w io.Writer) error { return compare.Encode(w, r) })
}
