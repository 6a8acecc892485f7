package main

import (
	"cmp"
	"context"
	"errors"
	"os"
	"slices"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/files"
	"bootgraft/layout/scan/second"
	"bootgraft/safety"
	"bootgraft/safety/rescue"
)

const filesHelp = `Lists the files of the FAT and ext volumes of a drive, or of a planned card
that does not exist yet, with their sizes and SHA-256. So you see before you
write that every file will arrive whole.

Of a file that is not whole it says which bytes are missing, and of WAV and MPEG
audio which seconds are lost. With --to such files are left out, unless you ask
for them with zeros in the holes, and DAMAGED.txt names them all. So are files
for which the folder has no room: the others come over, and it ends with 6.

Examples:

  bootgraft files old.img
  bootgraft files --plan card.plan
  bootgraft files old.img --to rescued
  bootgraft files old.img --to rescued --damaged zero
  bootgraft files old.img --sound --to heard --report heard.html
  bootgraft files old.img --sound --as 44100/16be/2:4096+20000 --to again

With --sound it lists what is sound by its own evidence where no volume is (with
--sound=free also in clusters that no file uses): WAV and AIFF files, frames of
MPEG audio, and bare samples. Pieces are put together where numbers on the disk
name them, and nowhere else. --to writes them, missing sectors as silence, with a
LIST.txt; --report shows how loud each is. --as says how some sectors are to be
read: rate, bits with byte order, channels (and sectors of one channel that lie
together: 44100/24be/8/64:SPAN).`

type filesFlags struct {
	plan, to      string
	damaged       string
	source        input.PlanSourceFlags
	codepage      int
	noHash, brief bool
	second        bool
	sectorSize    int
	sound         string
	as            []string
	report        reportFlags
}

// damages is what becomes of files that are not whole.
var damages = input.Choices{Flag: "damaged", Words: []string{"skip", "zero"}}

func filesCommand(u *talk.UI) *cobra.Command {
	var f filesFlags
	c := &cobra.Command{
		Use:   "files SOURCE | files --plan PLAN",
		Short: "list the files of a drive or of a planned card",
		Long:  filesHelp,
		Args:  cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return f.report.around(u, "Sound on a drive", func() error { return f.run(c.Context(), u, args) })
		},
	}
	c.Flags().StringVar(&f.plan, "plan", "", "list the files of the card that this plan describes")
	f.source.Add(c)
	f.source.Bar = u.Bar
	c.Flags().StringVar(&f.to, "to", "", "copy the files into this folder, which must be new or empty")
	damages.Add(c, &f.damaged, "skip", "with --to: files that are not whole are left out (skip), or copied with zeros in "+
		"the holes (zero)")
	c.Flags().IntVar(&f.codepage, "codepage", 437, "codepage of short FAT names: 437, 850, 852, 855, 858, 860, 862, 863, "+
		"865, 866 or 1252")
	c.Flags().BoolVar(&f.noHash, "no-hash", false, "do not read the files: list them without SHA-256 and times")
	c.Flags().BoolVar(&f.brief, "brief", false, "name only the files that are not whole")
	c.Flags().BoolVar(&f.second, "second-reader", false,
		"also ask an independent reader whether it sees the same table and names; always asked about a planned card")
	input.SectorSizeFlag(c, &f.sectorSize)
	sounds.Add(c, &f.sound, "", "list what is sound outside the volumes (outside), or also in clusters that no file "+
		"uses (free)")
	c.Flags().Lookup("sound").NoOptDefVal = sounds.Words[0]
	c.Flags().StringArrayVar(&f.as, "as", nil, "with --sound: read these sectors as RATE/BITS/CHANNELS:SPAN, such as "+
		"44100/16be/2:4096+20000; may be repeated")
	f.report.Add(c)
	return c
}

// check finds flags that contradict each other before anything is opened.
func (f *filesFlags) check(args []string) error {
	switch {
	case (f.plan == "") == (len(args) == 0):
		return talk.Usagef("give either a SOURCE or --plan PLAN")
	case f.plan == "" && f.source.Source != "":
		return talk.Usagef("--source goes with --plan")
	case damages.Check(f.damaged) != nil:
		return damages.Check(f.damaged)
	case sounds.Check(f.sound) != nil:
		return sounds.Check(f.sound)
	case f.sound == "" && (len(f.as) > 0 || f.report.wanted()):
		return talk.Usagef("--as and --report go with --sound")
	case f.sound != "" && (f.plan != "" || f.damaged == "zero" || f.brief || f.second || f.noHash):
		return talk.Usagef("--sound lists the sound of a SOURCE; with it go --to, --as, --report, --record and --sector-size")
	case f.damaged == "zero" && f.to == "":
		return talk.Usagef("--damaged zero goes with --to")
	}
	return nil
}

func (f *filesFlags) run(ctx context.Context, u *talk.UI, args []string) error {
	codepage, err := input.CodePage(f.codepage)
	if err := cmp.Or(err, f.check(args)); err != nil {
		return err
	}
	if f.sound != "" {
		return f.runSound(ctx, u, args[0])
	}
	src, name, closeSource, err := f.open(args)
	if err != nil {
		return input.Refused(u, err)
	}
	defer closeSource()
	typed, _ := src.(*input.Source)
	if typed != nil {
		typed.SayDamage(u)
	}
	s, err := scan.Run(ctx, src, scan.Options{})
	if err != nil {
		return err
	}
	opt := rescue.Options{CodePage: codepage, Zero: f.damaged == "zero", NoHash: f.noHash}
	if f.to != "" {
		if opt.Into, err = input.NewFolder(f.to); err != nil {
			return err
		}
		defer opt.Into.Close()
	}
	a := &filesAnswer{name: name, again: input.AgainWith(f.source.Command, "to", "FOLDER", args...), into: opt.Into}
	if err := a.room(ctx, u, src, s, opt); err != nil {
		return err
	}
	r, opinions, err := f.read(ctx, u, src, s, opt)
	if err != nil {
		return err
	}
	if typed != nil {
		r.Findings = append(r.Findings, typed.Findings...)
	}
	if opt.Into != nil {
		if err := opt.Into.Finish(page.DamagedName, page.DamagedList(name, r)); err != nil {
			return err
		}
	}
	r.Findings = append(r.Findings, files.Warnings(s, r.Findings)...)
	f.say(u, a, r, s, opinions)
	return filesEnd(r, s)
}

// filesAnswer is what is known of a copy beside its files.
type filesAnswer struct {
	name, again string
	into        *rescue.Folder // nil if nothing is copied
	need        rescue.Need
	free        *int64 // before the first file; nil where nobody says that
}

// room finds out how much room all files need, and says it where there is too little.
func (a *filesAnswer) room(ctx context.Context, u *talk.UI, src image.Source, m *layout.Map,
	opt rescue.Options) (err error) {
	if a.into == nil {
		return nil
	}
	if a.need, err = rescue.Needs(ctx, src, m, opt); err != nil {
		return err
	}
	if free, known := a.into.Room(); known {
		a.free = &free
		if said := page.RoomWanted(a.need, free, a.into.Dir, a.again); said != "" {
			u.Sayf("%s", said)
		}
	}
	return nil
}

// read reads the files, and asks the second reader where that is wanted.
func (f *filesFlags) read(ctx context.Context, u *talk.UI, src image.Source, s *layout.Map,
	opt rescue.Options) (r *rescue.Result, opinions []second.Opinion, err error) {
	var finish func()
	opt.Progress, finish = u.Bar("reading files")
	r, err = rescue.Run(ctx, src, s, opt)
	finish()
	if err == nil && (f.second || f.plan != "") {
		opinions, err = second.Ask(ctx, src, s, second.Options{})
	}
	return r, opinions, err
}

// say tells of the files that were found.
func (f *filesFlags) say(
	u *talk.UI, a *filesAnswer, r *rescue.Result, s *layout.Map, opinions []second.Opinion,
) {
	doc := document.NewFiles(r.Files, slices.Concat(r.Findings, second.Findings(opinions)))
	doc.Needed, doc.Free = a.need.Bytes, a.free
	u.Document(doc)
	page.FilesTitle(u, a.name, r, len(files.Volumes(s)))
	page.SecondReader(u, opinions)
	page.Files(u, r, a.into, f.brief, a.again)
	if worth := slices.Concat(r.Findings, page.Differing(opinions)); len(worth) > 0 {
		page.Findings(u, worth)
	}
}

// filesEnd says how the program ends.
func filesEnd(r *rescue.Result, s *layout.Map) error {
	why := ""
	switch {
	case r.Damaged > 0 && r.Left > 0:
		why = "some files are not whole, and the folder could not take some"
	case r.Left > 0:
		why = "some files were left out: the folder could not take them"
	case r.Damaged > 0:
		why = "some files are not whole"
	case r.Incomplete:
		why = "some directories could not be read: there may be more files"
	case slices.ContainsFunc(s.Findings, func(f disk.Finding) bool { return f.Hides }):
		why = "sectors by which a volume is known are missing: there may be more files"
	default:
		return nil
	}
	return talk.Coded(talk.ExitIncomplete, errors.New(why))
}

// openDrive opens a source of which it is only said what there is.
func (f *filesFlags) openDrive(path string) (*input.Source, error) {
	flags := f.source.With(f.sectorSize)
	flags.Shows = true
	return input.OpenSource(path, flags)
}

// open opens the source, or the planned card.
func (f *filesFlags) open(args []string) (image.Source, string, func(), error) {
	if f.plan == "" {
		src, err := f.openDrive(args[0])
		if err != nil {
			return nil, "", nil, err
		}
		return src, args[0], func() { src.Close() }, nil
	}
	if _, err := os.Stat(f.plan); err == nil && safety.OwnKind(f.plan) == "" {
		return nil, "", nil, talk.Usagef("%s is no plan. The files of a drive: bootgraft files %s", f.plan,
			words.Shell(f.plan))
	}
	j, err := input.OpenJob(f.plan, f.source)
	if err != nil {
		return nil, "", nil, err
	}
	return j.Card.Known(), "the card planned in " + f.plan, j.Close, nil
}
