package main

import (
	"bytes"
	"crypto/rand"
	"encoding/binary"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/kit/gather"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/scan"
	"bootgraft/layout/table/gpt"
	"bootgraft/safety"
)

const planHelp = `Maps a drive onto a card of another size and says, sector by sector, where
every byte of the card will come from. What need not change is copied as it is.
Nothing is written but the plan file.

Examples:

  bootgraft plan old.img --size 31116288s -o card.plan     sectors of the card
  bootgraft plan old.img --target card.img -o card.plan    size of an image file
  bootgraft plan old.img --size 32GB                       what would fit

The tail is what lies after the last volume, up to the end of the disk. Firmware
counts it from the end or from the start, and few manuals say which:

  --tail both         at its old address and at the new end (larger cards)
  --tail end          at the new end only (smaller cards)
  --tail same-place   at its old address only: the card may not start if the
                      firmware looks at the end
  --tail drop         not at all: the card may not start

` + rulesHelp + "\n" + input.VolumeHelp

type planFlags struct {
	size, target, out string
	tail, excess      string
	newIDs, replace   bool
	accept            []disk.Code
	rules             string
	known             *compare.Rules // from the file rules
	try               int
	source            input.SourceFlags
	volumes           input.VolumeFlags
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
		Args:  cobra.ExactArgs(1),
		RunE:  func(c *cobra.Command, args []string) error { return f.run(c, u, args[0]) },
	}
	fl := c.Flags()
	fl.StringVar(&f.size, "size", "", "size of the card: 31116288s (sectors), bytes, 16GB (16*10^9), 16GiB")
	fl.StringVar(&f.target, "target", "", "take the size from this image file or card, which is only read")
	fl.StringVarP(&f.out, "output", "o", "", "write the plan to this file")
	tails.Add(c, &f.tail, "", "both, end, same-place or drop (default: both on a larger card, end on a smaller one)")
	excesses.Add(c, &f.excess, "leave", "sectors that the drive did not have: leave or zero")
	fl.BoolVar(&f.newIDs, "new-ids", false, "draw new identifiers, for a card that is used beside its original; licences may be bound to the old ones")
	fl.BoolVar(&f.replace, "replace", false, "replace an existing plan file")
	input.AcceptFlag(fl, &f.accept)
	fl.StringVar(&f.rules, "rules", "", "what other originals of the model prove about the size, from: bootgraft compare A B C -o RULES")
	fl.IntVar(&f.try, "try", 0, "on a disk that nobody knows, the try to plan, from 1")
	f.source.Add(c)
	f.volumes.Add(c)
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
	if err := input.FileFree(f.out, safety.PlanFile, src, f.replace); err != nil { // before minutes of reading
		return err
	}
	target, nominal, err := f.targetSize(src.SectorSize(), image.Sectors(src))
	if err != nil {
		return err
	}
	once := src.Once()
	s, err := once.Survey(c.Context(), u)
	if err != nil {
		return err
	}
	wishes, err := f.Wishes(s, target, path)
	if err != nil {
		return err
	}
	if target.Sectors != s.Sectors {
		outside, err := scan.LookOutside(c.Context(), once, s)
		if err != nil {
			return err
		}
		wishes.TakeOutside(outside)
	}
	_, wishes.Kit = src.Source.(*kit.Kit)
	p, err := fit.Plan(c.Context(), once, s, wishes)
	if err != nil {
		return f.kitHint(src, s, err, showRefused(u, err, planAgain(c, path)))
	}
	if nominal {
		p.Findings = append(p.Findings, disk.Notef(disk.NominalSize, disk.NoSector,
			"%s is a size as printed on a package; no real card has exactly that many sectors. Read the number of sectors from the card at hand and plan again", f.size))
	}
	if err := f.Finish(u, p, src.Files); err != nil {
		return err
	}
	f.kitWayOut(u, src, p)
	return nil
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

// targetSize returns the size of the card.
func (f *planFlags) targetSize(sectorSize int, source disk.Sector) (d plan.Disk, nominal bool, err error) {
	d.SectorSize = sectorSize
	if f.size != "" {
		s, err := input.ParseSize(f.size, sectorSize)
		if err == nil {
			err = s.AsCard(source, f.size)
		}
		d.Sectors = s.Sectors
		return d, s.Nominal, err
	}
	t, closeTarget, err := input.OpenReadOnly(f.target, sectorSize)
	if err != nil {
		return d, false, err
	}
	defer closeTarget()
	if t.SectorSize() != sectorSize {
		return d, false, talk.Refusef("%s has sectors of %d bytes, and the source has sectors of %d: it cannot take its place", f.target, t.SectorSize(), sectorSize)
	}
	if t.Size()%int64(sectorSize) != 0 || t.Size() == 0 {
		return d, false, fmt.Errorf("%s has %d bytes, which are not whole sectors of %d; it cannot stand for a card", f.target, t.Size(), sectorSize)
	}
	d.Sectors = image.Sectors(t)
	return d, false, nil
}

func (f *planFlags) Wishes(s *layout.Map, target plan.Disk, path string) (fit.Wishes, error) {
	w := fit.Wishes{
		Target: target, Tail: fit.Tail(f.tail), Excess: fit.Excess(f.excess), Accept: input.OtherCodes(f.accept),
		Rules: f.known, Try: f.try, Path: filepath.ToSlash(path),
	}
	var err error
	if w.Volumes, err = f.volumes.Wishes(target.SectorSize); err != nil {
		return w, err
	}
	if !f.newIDs {
		return w, nil
	}
	ids, err := drawIDs(s)
	w.NewIDs = ids
	return w, err
}

// drawIDs draws identifiers for every entry of the disk.
func drawIDs(s *layout.Map) (*fit.NewIDs, error) {
	var id [4]byte
	if _, err := rand.Read(id[:]); err != nil {
		return nil, err
	}
	ids := &fit.NewIDs{DiskID: binary.LittleEndian.Uint32(id[:])}
	if s.Readable("gpt") {
		ids.GPT = &gpt.NewIDs{Disk: drawGUID(), Entries: map[int]gpt.GUID{}}
		for _, e := range s.Entries {
			ids.GPT.Entries[e.Index] = drawGUID()
		}
	}
	return ids, nil
}

// drawGUID draws a random GUID, version 4 (RFC 4122, 4.4).
func drawGUID() (g gpt.GUID) {
	_, _ = rand.Read(g[:]) // never fails: it crashes the program instead
	g[7] = g[7]&0x0F | 0x40
	g[8] = g[8]&0x3F | 0x80
	return g
}

// finish writes the plan file and says what the plan is.
func (f *planFlags) Finish(u *talk.UI, p *plan.Plan, avoid []os.FileInfo) error {
	p.WrittenBy = writtenBy()
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
		return plan.Describe(u.Out, p)
	}
	page.Plan(u, p, digest)
	if f.out == "" {
		u.Answerf("\nNo plan file was written; -o PLAN keeps the plan.\n")
		return nil
	}
	u.Answerf("\n")
	u.Wrapped("", fmt.Sprintf("The plan is in %s. Next: will every file arrive, and then write.", f.out))
	f.next(u)
	return nil
}

// next is what to type when the plan is made. The card whose size it has is the one
// that is meant; its line rehearses.
func (f *planFlags) next(u *talk.UI) {
	word, source := words.Shell(f.out), input.PlanSourceFlags{Record: f.source.Record, Accept: f.accept}
	u.Answerf("\n  bootgraft files --plan %s%s\n", word, source.Words())
	if f.target != "" && input.IsDevice(f.target) {
		u.Answerf("  sudo bootgraft write %s %s --device%s\n", word, words.Shell(f.target), source.Words())
		return
	}
	u.Answerf("  bootgraft write %s card.img%s\n", word, source.Words())
}

// writePlanFile writes the plan file.
func writePlanFile(path string, p *plan.Plan, replace bool, avoid []os.FileInfo) error {
	return input.WriteFile(path, safety.PlanFile, replace, avoid, func(w io.Writer) error { return plan.Encode(w, p) })
}

// planAgain writes the command that was typed, ready to paste.
func planAgain(c *cobra.Command, path string) string {
	line := c.CommandPath() + " " + words.Shell(path)
	c.Flags().Visit(func(fl *pflag.Flag) {
		values := []string{fl.Value.String()}
		if list, ok := fl.Value.(pflag.SliceValue); ok {
			values = list.GetSlice()
		}
		for _, v := range values {
			if fl.NoOptDefVal != "" && v == fl.NoOptDefVal {
				line += " --" + fl.Name
			} else {
				line += " --" + fl.Name + " " + words.Shell(v)
			}
		}
	})
	return line
}

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

// takeKitRules takes the rules that a kit brings, unless a rule file was given.
func (f *planFlags) takeKitRules(u *talk.UI, src *input.Source) error {
	k, ok := src.Source.(*kit.Kit)
	if !ok || k.Rules() == nil || f.known != nil {
		return nil
	}
	r, err := compare.Decode(bytes.NewReader(k.Rules()))
	if err != nil {
		return fmt.Errorf("the rules in %s cannot be used: %w. --rules RULES gives others", src.Path, err)
	}
	u.Sayf("The kit brings rules for cards of another size; they are used.")
	f.known = r
	return nil
}

// kitHint adds to a refusal what makes a card from a kit, which holds no files:
// its volumes begin empty.
func (f *planFlags) kitHint(src *input.Source, s *layout.Map, cause, refusal error) error {
	r := fit.IsRefused(cause)
	_, isKit := src.Source.(*kit.Kit)
	if r == nil || !isKit || !r.InVolumes {
		return refusal
	}
	flags := page.EmptyFlags(&kit.Manifest{Facts: gather.Facts(s)}, f.volumes.Empty...)
	if flags == "" || refusal == nil || talk.ExitCode(refusal) != talk.ExitRefused {
		return refusal
	}
	return talk.Coded(talk.ExitRefused, fmt.Errorf(
		"%w\n%s is a kit, and a kit holds no files. For a card that starts with\nempty volumes add:\n\n %s",
		refusal, filepath.Base(src.Path), flags))
}

// kitWayOut says what to do with a card of another size that was planned from a
// kit without rules.
func (f *planFlags) kitWayOut(u *talk.UI, src *input.Source, p *plan.Plan) {
	if k, ok := src.Source.(*kit.Kit); ok && f.known == nil && k.Rules() == nil && p.Target.Sectors != p.Source.Sectors {
		u.Answerf("\n%s", kit.WayOut)
	}
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
	return talk.Refusef("%s", page.Refused(r.Why, r.Need, again))
}
