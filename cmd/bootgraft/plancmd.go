package main

import (
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/scan/sound/tracks"
	"bootgraft/safety"
)

type planFlags struct {
	size, target, out string
	tail, excess      string
	sees              string // how many sectors the device sees, as typed; empty for all
	newIDs, replace   bool
	accept            []disk.Code
	rules             string
	known             *compare.Rules // from the file rules
	start             *starts.Report // what stops the planned card from starting
	try               int
	like, identity    string
	likePlan          *plan.Plan // from the file like
	source            input.SourceFlags
	volumes           input.VolumeFlags
	report            reportFlags
}

// What becomes of the tail, and of sectors that the drive did not have.
var (
	tails = input.Choices{Flag: "tail", None: true,
		Words: []string{string(fit.TailBoth), string(fit.TailEnd), string(fit.TailSamePlace), string(fit.TailDrop)}}
	excesses = input.Choices{Flag: "excess", Words: []string{string(fit.ExcessLeave), string(fit.ExcessZero)}}
)

func planCommand(u *talk.UI) *cobra.Command {
	var f planFlags
	c := &cobra.Command{
		Use:   "plan SOURCE (--size N | --target T) -o PLAN",
		Short: "map a drive onto a card of another size",
		Long:  planHelp,
		Args:  cobra.MaximumNArgs(1),

		Annotations: map[string]string{leadOfHelp: planLead},

		RunE: func(c *cobra.Command, args []string) error { return f.begin(c, u, args) },
	}
	fl := c.Flags()
	fl.StringVar(&f.size, "size", "", "size of the card: 31116288s (sectors), bytes, 16GB (16*10^9), 16GiB; several, "+
		"with commas behind their units, or common")
	fl.StringVar(&f.target, "target", "", "take the size from this image file or card, which is only read")
	fl.StringVarP(&f.out, "output", "o", "", "write the plan to this file")
	fl.StringVar(&f.sees, "device-sees", "", "how many sectors the device sees of the card, whatever the card has (as "+
		"--size): the end of the disk is there")
	tails.Add(c, &f.tail, "", "both, end, same-place or drop (default: both on a larger card, end on a smaller one)")
	excesses.Add(c, &f.excess, "leave", "sectors that the drive did not have: leave or zero")
	fl.BoolVar(&f.newIDs, "new-ids", false, "draw new identifiers, for a card that is used beside its original; licences "+
		"may be bound to the old ones")
	fl.BoolVar(&f.replace, "replace", false, "replace an existing plan file")
	input.AcceptFlag(fl, &f.accept)
	fl.StringVar(&f.rules, "rules", "", "what other originals of the model prove about the size, from: bootgraft compare "+
		"A B C -o RULES")
	input.Suffix(c, "rules", "rules")
	fl.IntVar(&f.try, "try", 0, "of the tries that a plan lists, the one to plan, from 1")
	fl.StringVar(&f.like, "like", "", "decide as in this plan; SOURCE may be left out then")
	fl.StringVar(&f.identity, "identity", "", "keep the identifiers of this unit: its image, capture or kit; the card is "+
		"made from SOURCE, another unit of the model")
	f.source.Add(c)
	f.volumes.Add(c)
	f.report.Add(c)
	return c
}

func (f *planFlags) run(c *cobra.Command, u *talk.UI, path string) error {
	if c.Flags().Changed("try") && f.try < 1 {
		return talk.Usagef("--try %d is no try: they count from 1", f.try)
	}
	if err := f.check(); err != nil {
		return err
	}
	if err := f.readRules(); err != nil {
		return err
	}
	f.source.Accept, f.source.Bar = f.accept, u.Bar
	src, err := input.OpenSource(path, f.source)
	if err != nil {
		return input.Refused(u, err)
	}
	defer src.Close()
	src.SayDamage(u)
	if err := f.takeKitRules(u, src); err != nil {
		return err
	}
	if sizes := severalSizes(f.size); sizes != nil {
		return f.offer(c, u, src, sizes)
	}
	if err := input.FileFree(f.out, safety.PlanFile, src, f.replace); err != nil { // before minutes of reading
		return err
	}
	if err := f.report.check(src.Files); err != nil {
		return err
	}
	s, p, err := f.plan(c, u, src, path)
	if err != nil {
		return err
	}
	if err := f.finish(u, s, p, src.Files); err != nil {
		return err
	}
	f.sayUnlike(u, p)
	f.kitWayOut(u, src, p)
	return f.page(c, u, src, s, &page.Planned{Plan: p, Target: p.Target, Starts: f.start}, nil)
}

// page writes the pages of a plan, or of a refusal to make one.
func (f *planFlags) page(c *cobra.Command, u *talk.UI, src *input.Source, s *layout.Map, p *page.Planned,
	cause error) error {
	r := fit.IsRefused(cause)
	if !f.report.wanted() || cause != nil && r == nil {
		return nil
	}
	var err error
	if p.Drive, err = driveFacts(c.Context(), u, src, s); err != nil {
		return err
	}
	if r != nil {
		p.Why, p.Need, p.Smallest = r.Why, r.Need, r.Smallest
		if len(r.Why) == 0 {
			p.Next = []string{page.Accepting(r.Need, input.Again(c, src.Path))}
		}
	} else {
		if p.Digest, err = p.Plan.Digest(); err != nil {
			return err
		}
		if p.Anew, err = madeNew(src, p.Plan, s); err != nil {
			return err
		}
		switch {
		case f.out != "" && p.Starts != nil && p.Starts.Answer == starts.WillNot: // first it has to be read why
			p.Next = []string{"bootgraft starts " + words.Shell(f.out)}
		case f.out != "":
			p.Next = f.nextLines()
		}
	}
	return f.report.write(u, page.PlanReport(p), p.Names(f.out, f.target), src.Files)
}

// plan surveys the source, once, and plans the card.
func (f *planFlags) plan(c *cobra.Command, u *talk.UI, src *input.Source,
	path string) (*layout.Map, *plan.Plan, error) {
	target, err := input.CardSize(f.size, f.target, src.SectorSize(), image.Sectors(src))
	if err != nil {
		return nil, nil, err
	}
	once := src.Once()
	s, err := once.Survey(c.Context(), u)
	if err != nil {
		return nil, nil, err
	}
	wishes, err := f.wishes(s, target.Size, path)
	if err == nil && f.identity != "" {
		wishes.NewIDs, err = f.identityOf(c.Context(), u, s)
	}
	if err != nil {
		return nil, nil, err
	}
	if err := wishes.LookOutside(c.Context(), once, s); err != nil {
		return nil, nil, err
	}
	if k, ok := src.Source.(*kit.Kit); ok {
		wishes.Kit = true
		keepLinked(k, s, wishes.Volumes.Wish)
	}
	var p *plan.Plan
	if err = f.volumes.PinsThere(c.Context(), once, s); err == nil {
		p, err = fit.Plan(c.Context(), once, s, wishes)
	}
	if err != nil {
		refusal := f.kitHint(src, s, err, showRefused(u, err, input.Again(c, path)))
		if lost := f.page(c, u, src, s, &page.Planned{Target: target.Size}, err); lost != nil {
			return nil, nil, errors.Join(refusal, lost)
		}
		return nil, nil, refusal
	}
	p.Findings = append(p.Findings, target.Findings...)
	_, hits, err := soundHits(c.Context(), u, src, s, tracks.ForPlan)
	if err != nil {
		return nil, nil, err
	}
	p.Findings = append(p.Findings, hits...)
	if f.identity != "" {
		p.Findings = append(p.Findings, f.identityFinding())
	}
	p.Choices = choices(c)
	f.start, err = starts.Judge(c.Context(), p, once, s, starts.Known{Links: wishes.Links})
	return s, p, err
}

// check finds flags that contradict each other before anything is opened.
func (f *planFlags) check() error {
	if (f.size == "") == (f.target == "") {
		return talk.Usagef("give the size of the card with either --size or --target")
	}
	if err := tails.Check(f.tail); err != nil {
		return err
	}
	if _, err := f.volumes.Wishes(512); err != nil {
		return err
	}
	return excesses.Check(f.excess)
}

func (f *planFlags) wishes(s *layout.Map, target plan.Size, path string) (fit.Wishes, error) {
	w := fit.Wishes{
		Target: target, Tail: fit.Tail(f.tail), Excess: fit.Excess(f.excess), Accept: input.OtherCodes(f.accept),
		Rules: f.known, Try: f.try, Path: filepath.ToSlash(path),
	}
	var err error
	if w.Sees, err = f.seen(s); err != nil {
		return w, err
	}
	if w.Volumes, err = f.volumes.Wishes(target.SectorSize); err != nil {
		return w, err
	}
	if !f.newIDs {
		return w, nil
	}
	w.NewIDs, err = fit.DrawIDs(s, rand.Reader)
	return w, err
}

// seen is how many sectors of the card the device sees; 0 for all of them.
func (f *planFlags) seen(s *layout.Map) (disk.Sector, error) {
	if f.sees == "" {
		return 0, nil
	}
	sees, err := input.CardSize(f.sees, "", s.SectorSize, s.Sectors)
	if err == nil && len(sees.Findings) > 0 {
		err = talk.Usagef("--device-sees %s: a device sees an exact number of sectors, such as 39070080s", f.sees)
	}
	return sees.Sectors, err
}

// finish writes the plan file and says what the plan is.
func (f *planFlags) finish(u *talk.UI, s *layout.Map, p *plan.Plan, avoid []os.FileInfo) error {
	p.WrittenBy = build.Program()
	digest, err := p.Digest()
	if err != nil {
		return err
	}
	if f.out != "" {
		if err := writePlanFile(f.out, p, f.replace, avoid); err != nil {
			return err
		}
	}
	if u.JSON {
		return plan.Describe(u.Out, p, plan.Beside{Key: "starts", Value: document.NewStartsAnswer(f.start)})
	}
	again := ""
	if f.out != "" {
		again = words.Shell(f.out)
	}
	u.Page(func(u *talk.UI) {
		page.Plan(u, p, digest)
		page.StartsBriefly(u, f.start, again)
		f.next(u)
	}, func(u *talk.UI) {
		d := &page.Drive{Map: s}
		d.Faults.Missing = layout.Missing(p.Pieces)
		page.PlanBrief(&page.Planned{Drive: d, Plan: p, Digest: digest, Starts: f.start}, f.next).Show(u)
	})
	return nil
}

// next is what to type when the plan is made. The card whose size it has is the one
// that is meant; its line rehearses.
func (f *planFlags) next(u *talk.UI) {
	if f.out == "" {
		u.Answerf("\nNo plan file was written; -o PLAN keeps the plan.\n")
		return
	}
	u.Next(fmt.Sprintf("The plan is in %s. Next: will every file arrive, and then write.", f.out), f.nextLines()...)
}

// nextLines look at the files of the planned card, and write it.
func (f *planFlags) nextLines() []string {
	source := input.PlanSourceFlags{Record: f.source.Record, Accept: f.accept}
	word, flags := words.Shell(f.out), source.Words()
	device := func(target string) string {
		return words.AsRoot(fmt.Sprintf("bootgraft write %s %s --device%s", word, target, flags))
	}
	lines := []string{"bootgraft files --plan " + word + flags}
	image := fmt.Sprintf("bootgraft write %s card.img%s", word, flags)
	switch {
	case !page.WritesCards:
		return append(lines, image)
	case f.target != "" && input.IsDevice(f.target): // the card is here
		return append(lines, device(words.Shell(f.target)))
	}
	return append(lines, device("next"), image)
}

// writePlanFile writes the plan file.
func writePlanFile(path string, p *plan.Plan, replace bool, avoid []os.FileInfo) error {
	return input.WriteFile(path, safety.PlanFile, replace, avoid, func(w io.Writer) error { return plan.Encode(w, p) })
}

// readRules reads the rule file before minutes of reading the source.
func (f *planFlags) readRules() (err error) {
	if f.rules != "" {
		f.known, _, err = input.ReadRules(f.rules)
	}
	return err
}

// showRefused explains why there is no plan. again is the command to paste.
func showRefused(u *talk.UI, err error, again string) error {
	r := fit.IsRefused(err)
	if r == nil {
		return err
	}
	if u.JSON {
		d := document.NewRefused(r.Why, r.Need)
		d.Smallest, d.Accepting = r.Smallest, r.Accepting
		u.Document(d)
		return talk.Coded(talk.ExitRefused, talk.ErrSaid)
	}
	unasked := r.Smallest
	if r.Accepting >= r.Smallest { // that size asks too, as far as is known
		unasked = 0
	}
	return talk.Refusef("%s", page.Refused(r.Why, r.Need, unasked, again))
}
