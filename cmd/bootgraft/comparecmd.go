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

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/scan/diff"
	"bootgraft/safety"
)

const compareHelp = `Compares the heads and tails of several originals of one model, images or
captures of drives of different sizes, and finds what follows the size: numbers
with their formula, checksums, copies. What is foretold of every original by the
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
	accept     []disk.Code
	command    *cobra.Command // whose end ends the reading
	bar        func(what string) (progress func(done, total int64), finish func())

	before, after, source string
}

func compareCommand(u *talk.UI) *cobra.Command {
	var f compareFlags
	c := &cobra.Command{
		Use:   "compare SOURCE SOURCE... [-o RULES] | compare --before PLAN|IMAGE --after IMAGE",
		Short: "find what follows the size, or what a device changed",
		Long:  compareHelp,
		Args:  cobra.ArbitraryArgs,
		RunE: func(c *cobra.Command, args []string) error {
			f.command, f.bar = c, u.Bar
			return input.Refused(u, f.run(c, u, args))
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
	fl.IntVar(&f.sectorSize, "sector-size", 512, "logical sector size of image files in bytes: 512, 1024, 2048 or 4096")
	input.AcceptFlag(fl, &f.accept)
	fl.StringVar(&f.before, "before", "", "the plan of the card, or its image, before the device had it")
	fl.StringVar(&f.after, "after", "", "the card, read back as an image, after the device had it")
	fl.StringVar(&f.source, "source", "", "with --before PLAN: the source of the plan, if it is not where the plan remembers it")
	return c
}

func (f *compareFlags) run(c *cobra.Command, u *talk.UI, args []string) error {
	changed := f.before != "" || f.after != ""
	switch {
	case changed && (f.before == "" || f.after == "" || len(args) > 0):
		return talk.Usagef("to say what a device changed, give --before and --after, and no other sources\nTry: bootgraft compare --help")
	case changed && (f.out != "" || f.target != "" || len(f.sameUnit) > 0):
		return talk.Usagef("-o, --for and --same-unit belong to a comparison of several originals, not to --before and --after")
	case changed:
		return f.changed(c, u)
	case f.source != "":
		return talk.Usagef("--source belongs to --before PLAN")
	case len(args) < 2:
		return talk.Usagef("a comparison needs at least two originals\nTry: bootgraft compare --help")
	}
	return f.originals(c, u, args)
}

// originals compares several originals.
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
	for _, s := range sources {
		s.SayDamage(u)
	}
	var reads input.Source
	for _, s := range sources {
		reads.Files = append(reads.Files, s.Files...)
	}
	if err := input.FileFree(f.out, safety.RuleFile, &reads, f.replace); err != nil {
		return err
	}
	dumps, err := f.dumps(args, sources)
	if err != nil {
		return err
	}
	size := input.SourceFlags{SectorSize: sources[0].SectorSize()}
	a := page.Originals{Dumps: dumps, Out: f.out, Again: size.Words()}
	if f.target != "" {
		s, err := input.ParseSize(f.target, sources[0].SectorSize())
		if err != nil {
			return err
		}
		if err := s.AsCard(image.Sectors(sources[0]), f.target); err != nil {
			return err
		}
		a.Card = s.Sectors
	}
	progress, finish := u.Bar("comparing")
	bytes := int64(sources[0].SectorSize())
	opt.Progress = func(done, total disk.Sector) { progress(int64(done)*bytes, int64(total)*bytes) }
	a.Comparison, err = compare.Run(c.Context(), dumps, opt)
	finish()
	if err != nil {
		return err
	}
	if f.out != "" {
		if err := writeRules(f.out, &a.Rules, f.replace, reads.Files); err != nil {
			return err
		}
	}
	if u.JSON { // advice takes its time
		u.Document(document.NewCompare(a.Comparison, dumps, a.Advice(), a.Card, f.out))
		return nil
	}
	page.Comparison(u, &a)
	return nil
}

// options reads how much of both ends is compared.
func (f *compareFlags) options() (opt compare.Options, err error) {
	for _, x := range []struct {
		text, kind string
		to         *disk.Sector
	}{{f.head, "head:", &opt.Head}, {f.tail, "tail:", &opt.Tail}} {
		s, err := input.ParseSize(strings.TrimPrefix(x.text, x.kind), f.sectorSize)
		if err != nil {
			return opt, err
		}
		*x.to = s.Sectors
	}
	return opt, image.CheckSectorSize(f.sectorSize)
}

// sourceFlags are those that open each source.
func (f *compareFlags) sourceFlags(sectorSize int) input.SourceFlags {
	return input.SourceFlags{SectorSize: sectorSize, Accept: f.accept, Command: f.command, Bar: f.bar}
}

// open opens every source; done closes those that were opened.
func (f *compareFlags) open(args []string) (sources []*input.Source, done func(), err error) {
	done = func() {
		for _, s := range sources {
			s.Close()
		}
	}
	for _, path := range args {
		s, err := input.OpenSource(path, f.sourceFlags(f.sectorSize))
		if err != nil {
			return sources, done, err
		}
		sources = append(sources, s)
		for i, other := range sources[:len(sources)-1] {
			if len(s.Files) > 0 && len(other.Files) > 0 && os.SameFile(s.Files[0], other.Files[0]) {
				return sources, done, talk.Usagef("source %d and source %d are one file: %s. A comparison with itself proves nothing", i+1, len(sources), path)
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
			return nil, talk.Usagef("--same-unit %s is not understood: it is two of the sources, by number from 1 or by path, with a comma between", pair)
		}
		if sources[i].Size() != sources[j].Size() {
			return nil, talk.Usagef("--same-unit %s: %s and %s are not of one size, so they are not one disk", pair, args[i], args[j])
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
	r.WrittenBy = writtenBy()
	return input.WriteFile(path, safety.RuleFile, replace, avoid, func(w io.Writer) error { return compare.Encode(w, r) })
}

// openAfter opens the card as it came back, which is nothing that before reads.
func (f *compareFlags) openAfter(before *input.Source) (*input.Source, error) {
	after, err := input.OpenSource(f.after, f.sourceFlags(before.SectorSize()))
	if err != nil {
		return nil, err
	}
	for _, read := range before.Files {
		if len(after.Files) > 0 && os.SameFile(read, after.Files[0]) {
			after.Close()
			return nil, talk.Usagef("--after %s is read for --before as well. A comparison with itself proves nothing", f.after)
		}
	}
	return after, nil
}

// changed says what a device did to a card.
func (f *compareFlags) changed(c *cobra.Command, u *talk.UI) error {
	before, drive, err := f.openBefore()
	if err != nil {
		return err
	}
	defer before.Close()
	after, err := f.openAfter(before)
	if err != nil {
		return err
	}
	defer after.Close()
	before.SayDamage(u)
	after.SayDamage(u)
	was, err := before.Survey(c.Context(), u)
	if err != nil {
		return err
	}
	if image.Sectors(before) == image.Sectors(after) {
		// What the plan did not touch is not its own: whatever lies there says nothing.
		after.Source = image.NewKnown(after.Source, image.Unknown(before, image.Whole(before)), nil)
	}
	is, err := after.Survey(c.Context(), u)
	if err != nil {
		return err
	}
	progress, finish := u.Bar("comparing")
	size := int64(before.SectorSize())
	opt := diff.Options{Progress: func(done, total disk.Sector) { progress(int64(done)*size, int64(total)*size) }}
	if drive != nil {
		opt.Drive = image.Sectors(drive)
	}
	r, err := diff.Compare(c.Context(), diff.Disk{Source: before, Survey: was}, diff.Disk{Source: after, Survey: is}, opt)
	finish()
	var sizes *diff.SizeError
	if errors.As(err, &sizes) {
		return talk.Refusef("%w. Read the whole card back into an image", err)
	}
	if err != nil {
		return err
	}
	next := f.nextOriginal(r, drive, before.SectorSize())
	u.Document(document.NewChanged(f.before, f.after, r, page.KindTexts, next))
	page.Changed(u, f.before, f.after, r, next)
	return nil
}

// nextOriginal is the command that compares a card which the device has
// initialised with the drive that it was planned from; empty where there is no
// such pair.
func (f *compareFlags) nextOriginal(r *diff.Report, drive *input.Source, sectorSize int) string {
	if !r.Original || drive == nil || image.Sectors(drive) == r.Sectors {
		return ""
	}
	size := input.SourceFlags{SectorSize: sectorSize, Accept: f.accept}
	return fmt.Sprintf("bootgraft compare %s %s%s", words.Shell(drive.Path), words.Shell(f.after), size.Words())
}

// openBefore opens the planned card, or an image; drive is the source of the
// plan.
func (f *compareFlags) openBefore() (before, drive *input.Source, err error) {
	if !input.IsPlanFile(f.before) {
		if f.source != "" {
			return nil, nil, talk.Usagef("--source goes with --before PLAN, and %s is no plan", f.before)
		}
		before, err = input.OpenSource(f.before, f.sourceFlags(f.sectorSize))
		return before, nil, err
	}
	j, err := input.OpenJob(f.before, input.PlanSourceFlags{Source: f.source, Accept: f.accept, Command: f.command, Bar: f.bar})
	if err != nil {
		return nil, nil, err
	}
	before = &input.Source{Source: j.Card, Path: f.before, Files: j.Files, Close: func() error { j.Close(); return nil }}
	return before, j.Src, nil
}
