package main

import (
	"bootgraft/layout"
	"bytes"
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout/kit"
	"bootgraft/layout/kit/gather"
	"bootgraft/layout/rule/compare"
	"bootgraft/safety"
)

const kitHelp = `A kit is the boot areas of a drive in one small file: to keep them, or to help
an owner whose own drive is dead. It is a ZIP file that any computer opens, and
stands wherever the image of a drive may stand.

  bootgraft kit make old.img -o device.kit  make one
  bootgraft kit show device.kit             what is in it
  bootgraft kit ask                         a page for somebody whose unit works`

func kitCommand(u *talk.UI, played map[string]capture.Drive) *cobra.Command {
	c := &cobra.Command{
		Use:   "kit",
		Short: "the boot areas alone, to keep or to help another owner",
		Long:  kitHelp,
		Args:  unknownCommand,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(kitMakeCommand(u, played), kitShowCommand(u), kitAskCommand(u))
	for _, sub := range c.Commands() {
		sub.Args = usageArgs(sub.Args)
	}
	return c
}

const kitMakeHelp = `Puts the boot areas of a drive into a kit: the partition table, head, gaps and
tail, and of FAT volumes the sectors before the allocation tables. No file, no
directory and no label of a volume known here goes into it.

Numbers that tell one drive from another (disk id, serial number of a volume)
stay, because a device may be bound to them, and are marked. Labels in FAT boot
sectors are overwritten. Names in the table, which a device may need, are
refused until you accept them. On a drive without a table and without a volume
nobody knows what is private: the strings in it are shown, and --blank takes
sectors out.

Examples:

  bootgraft kit make old.img -o device.kit --note "Jukebox, bought 2004"
  bootgraft kit make old.img -o device.kit --rules device.rules
  bootgraft kit make old.img -o device.kit --blank 5000+16 --blank end-64+2
  bootgraft kit make old.img -o facts.kit --facts-only
  bootgraft kit make --sectors 39070080 --part 0s=head.bin \
      --part end-131072s=tail.bin -o device.kit
  sudo bootgraft kit make /dev/sdX -o device.kit

A drive is captured first, as with "capture --only boot", into KIT.capture,
which stays: the drive is read once. When it stops the same command goes on.

A span of sectors is START+COUNT, head:64MiB, tail:64MiB or end-N+COUNT.`

type kitMakeFlags struct {
	out, rules string
	ruleSize   int // sector size of the drives that the rules are of, 0 without rules
	notes      []string
	drive      string
	blank      []string
	factsOnly  bool
	replace    bool
	accept     []disk.Code
	head, tail string
	sectors    string
	parts      []string
	source     input.SourceFlags
	played     map[string]capture.Drive // drives that the demonstration plays, by name
}

func kitMakeCommand(u *talk.UI, played map[string]capture.Drive) *cobra.Command {
	f := kitMakeFlags{played: played}
	c := &cobra.Command{
		Use:   "make (SOURCE | --sectors N --part PLACE=FILE...) -o KIT",
		Short: "put the boot areas of a drive into a kit",
		Long:  kitMakeHelp,
		Args:  cobra.MaximumNArgs(1),
		RunE:  func(c *cobra.Command, args []string) error { return f.run(c, u, args) },
	}
	fl := c.Flags()
	fl.StringVarP(&f.out, "output", "o", "", "the new kit")
	fl.StringVar(&f.rules, "rules", "", "put this rule file into the kit")
	fl.StringArrayVar(&f.notes, "note", nil, "a note about the device; may be repeated")
	fl.StringVar(&f.drive, "drive", "", "what the drive calls itself (default: as captured)")
	fl.StringArrayVar(&f.blank, "blank", nil, "leave these sectors out; may be repeated")
	fl.BoolVar(&f.factsOnly, "facts-only", false, "places, sizes, hashes and rules alone, none of the drive's bytes; what tells one drive from another is masked")
	fl.BoolVar(&f.replace, "replace", false, "replace an empty file, or what a run that broke off left; a kit is replaced by nothing")
	input.AcceptFlag(fl, &f.accept)
	fl.StringVar(&f.head, "head", "64MiB", "how much of the head, and of each gap, counts as boot area")
	fl.StringVar(&f.tail, "tail", "64MiB", "how much of the tail counts as boot area")
	fl.StringVar(&f.sectors, "sectors", "", "with --part: the number of sectors of the drive")
	fl.StringArrayVar(&f.parts, "part", nil, "a plain file with sectors of the drive: 0s=head.bin or end-131072s=tail.bin; may be repeated")
	f.source.Add(c)
	return c
}

func (f *kitMakeFlags) run(c *cobra.Command, u *talk.UI, args []string) error {
	rules, err := f.check(args)
	if err != nil {
		return err
	}
	src, err := f.open(c, u, args)
	if err != nil {
		return err
	}
	defer src.Close()
	if err := input.FileFree(f.out, safety.KitFile, src, f.replace); err != nil {
		return err
	}
	if n := src.SectorSize(); f.ruleSize != 0 && f.ruleSize != n {
		return talk.Refusef("%s is of drives with sectors of %d bytes, and this one has %d", f.rules, f.ruleSize, n)
	}
	s, err := runSurvey(c, u, src)
	if err != nil {
		return err
	}
	k, err := f.gather(c.Context(), src, s)
	if err != nil {
		return err
	}
	if old, ok := src.Source.(*kit.Kit); ok && rules == nil && old.Rules() != nil {
		u.Sayf("%s brings rules; the new kit gets them too.", args[0])
		rules = old.Rules()
	}
	k.RuleSet = rules
	if err := k.accepted(u, f.accept); err != nil {
		return err
	}
	m, err := k.write(f.out, f.replace, src.Files)
	if err != nil {
		return err
	}
	if err := showMade(u, f.out, k, m); err != nil {
		return err
	}
	return k.incomplete(m, len(f.parts) == 0)
}

// check finds flags that contradict each other, and reads the rules, before
// anything else is opened.
func (f *kitMakeFlags) check(args []string) (rules []byte, err error) {
	switch {
	case f.out == "":
		return nil, talk.Usagef("give the new kit a name with -o")
	case len(args)+min(1, len(f.parts)) != 1:
		return nil, talk.Usagef("give either a SOURCE or pieces with --part")
	case (f.sectors == "") != (len(f.parts) == 0):
		return nil, talk.Usagef("--part and --sectors go together: the number of sectors of a drive is part of what its boot areas mean")
	}
	if err := input.FileFree(f.out, safety.KitFile, &input.Source{}, f.replace); err != nil {
		return nil, err
	}
	if f.rules == "" {
		return nil, nil
	}
	r, err := image.Open(f.rules, 512)
	if err != nil {
		return nil, input.SourceError(f.rules, err)
	}
	defer r.Close()
	if rules, err = io.ReadAll(io.NewSectionReader(r, 0, compare.MaxFile+1)); err != nil {
		return nil, err
	}
	known, err := compare.Decode(bytes.NewReader(rules))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", f.rules, err)
	}
	f.ruleSize = known.SectorSize
	return rules, nil
}

// open opens what the kit is made of.
func (f *kitMakeFlags) open(c *cobra.Command, u *talk.UI, args []string) (*input.Source, error) {
	if len(f.parts) > 0 {
		if err := image.CheckSectorSize(f.source.SectorSize); err != nil {
			return nil, talk.Usagef("%v", err)
		}
		n, err := input.ParseCount(f.sectors)
		if err != nil {
			return nil, err
		}
		return input.OpenParts(f.parts, n, f.source.SectorSize)
	}
	path := args[0]
	_, isPlayed := f.played[path]
	if isPlayed || path == "next" || input.IsDevice(path) {
		var err error
		if path, err = f.capture(c, u, path); err != nil {
			return nil, err
		}
	}
	f.source.Accept, f.source.Bar = f.accept, u.Bar
	src, err := input.OpenSource(path, f.source)
	if err != nil {
		return nil, refusedSource(u, err)
	}
	src.SayDamage(u)
	return src, nil
}

// capture reads the boot areas of a drive into KIT.capture, which stays, and
// returns its path. Sectors that the drive does not give are no error here.
func (f *kitMakeFlags) capture(c *cobra.Command, u *talk.UI, device string) (string, error) {
	img := f.out + ".capture"
	cf := captureFlags{only: "boot", free: "last", head: f.head, tail: f.tail, looks: 3, missingAs: "pattern", sectorSize: f.source.SectorSize, played: f.played}
	u.Sayf("Reading the boot areas of %s into %s first; Ctrl-C stops, and the same command goes on.", device, img)
	err := cf.run(c, u.Aside(), []string{device, img})
	if talk.ExitCode(err) == talk.ExitIncomplete {
		u.Sayf("%v", err)
		err = nil
	}
	return img, err
}

// gather finds out what goes into the kit.
func (f *kitMakeFlags) gather(ctx context.Context, src *input.Source, s *layout.Map) (*madeKit, error) {
	remove, err := input.ParseSpans(f.blank, src)
	if err != nil {
		return nil, err
	}
	ends, err := f.ends(src.SectorSize())
	if err != nil {
		return nil, err
	}
	r := &gather.Reader{Ctx: ctx, Src: src, Absent: absentSectors(src), Remove: remove}
	for _, a := range gather.Areas(s, ends) {
		if err := r.Area(a); err != nil {
			return nil, err
		}
	}
	spans, err := r.Result()
	if err != nil {
		return nil, talk.Coded(talk.ExitRefused, err)
	}
	k := &madeKit{survey: s, from: src, farInUse: r.FarInUse}
	k.Source = src
	k.Manifest = kit.Manifest{
		WrittenBy: writtenBy(),
		Sectors:   s.Sectors, SectorSize: s.SectorSize, FactsOnly: f.factsOnly, LayoutKnown: gather.LayoutKnown(s),
		Drive: f.driveName(src), Notes: f.notes, Spans: spans, Facts: kitFacts(s),
	}
	return k, k.look()
}

func (f *kitMakeFlags) ends(sectorSize int) (gather.Ends, error) {
	head, err := input.ParseSize(f.head, sectorSize)
	if err != nil {
		return gather.Ends{}, err
	}
	tail, err := input.ParseSize(f.tail, sectorSize)
	return gather.Ends{Head: head.Sectors, Tail: tail.Sectors}, err
}

// driveName returns what the drive calls itself: its model, never its number.
func (f *kitMakeFlags) driveName(src *input.Source) string {
	if f.drive != "" {
		return f.drive
	}
	switch c := src.Source.(type) {
	case *capture.Source:
		return c.Record().Identity.Model
	case *kit.Kit:
		return c.Drive
	}
	return ""
}

// absentSectors says why sectors of a source are not known; what it does not name
// was not read.
func absentSectors(src *input.Source) map[kit.State]disk.Spans {
	switch c := src.Source.(type) {
	case *capture.Source:
		return map[kit.State]disk.Spans{kit.Missing: c.Record().Missing()}
	case *kit.Kit:
		out := map[kit.State]disk.Spans{}
		var named disk.Spans
		for _, s := range c.Spans {
			named = named.Union(disk.Spans{s.Span})
			out[s.State] = out[s.State].Add(s.Span)
		}
		out[kit.Removed] = out[kit.Removed].Union(named.Outside(image.Whole(c)))
		return out
	}
	return nil
}

type kitMadeJSON struct {
	Schema        int            `json:"schema"`
	Kit           string         `json:"kit"`
	Bytes         int64          `json:"bytes"`
	SHA256        string         `json:"sha256"`
	StoredSectors disk.Sector    `json:"stored_sectors"`
	Manifest      *kit.Manifest  `json:"manifest"`
	TextsFound    int            `json:"texts_found"`
	Texts         []kit.Text     `json:"texts"`
	Findings      []disk.Finding `json:"findings"`
}

// showMade says what went into a new kit.
func showMade(u *talk.UI, path string, k *madeKit, m *kit.Manifest) error {
	if u.JSON {
		return u.Object(document.KindKitMake, kitMadeJSON{schema, path, k.bytes, k.sha256, m.Stored(), m, k.allTexts, append([]kit.Text{}, k.texts...), append([]disk.Finding{}, k.findings...)})
	}
	u.Answerf("%s: %s, %s of the drive in it\nSHA-256 %s\n\n", path, disk.BytesText(k.bytes), disk.Counted(m.Stored(), "sector"), k.sha256)
	page.Manifest(u, m)
	page.Texts(u, k.texts, k.allTexts)
	page.Findings(u, k.findings)
	if m.Rules == nil && !m.FactsOnly {
		u.Answerf("\n%s", kit.WayOut)
	}
	if !m.FactsOnly {
		u.Answerf("\nThe code in boot areas may be somebody's work. Ask before you pass it on, and\nkeep to the law of the place where you live.\n")
	}
	u.Answerf("\nNext, look at what is in it:\n\n  bootgraft kit show %s\n", words.Shell(path))
	return nil
}

// incomplete makes the program end as it does when sectors that belong into the
// kit are not known.
func (k *madeKit) incomplete(m *kit.Manifest, counts bool) error {
	n := m.Count(kit.Missing)
	if counts {
		n += m.Count(kit.Unread)
	}
	if n == 0 {
		return nil
	}
	return talk.Coded(talk.ExitIncomplete, fmt.Errorf("done, but %s of the boot areas could not be had", disk.Counted(n, "sector")))
}

func kitShowCommand(u *talk.UI) *cobra.Command {
	return &cobra.Command{
		Use:   "show KIT",
		Short: "prove a kit and say what is in it",
		Long: `Reads a kit, proves every hash in it, and says what it holds: its spans, the
bytes that tell the drive from others, and the strings in its sectors, for you
to see whether any one is private.

  bootgraft kit show device.kit
  bootgraft kit show device.kit --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { return kitShow(u, args[0]) },
	}
}

type kitShowJSON struct {
	Schema        int           `json:"schema"`
	Kit           string        `json:"kit"`
	Bytes         int64         `json:"bytes"`
	StoredSectors disk.Sector   `json:"stored_sectors"`
	Manifest      *kit.Manifest `json:"manifest"`
	TextsFound    int           `json:"texts_found"`
	Texts         []kit.Text    `json:"texts"`
}

func kitShow(u *talk.UI, path string) error {
	f, err := image.Open(path, 512)
	if err != nil {
		return input.SourceError(path, err)
	}
	defer f.Close()
	k, err := kit.Open(f, f.Size())
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	texts, all, err := kit.Texts(k, k.Spans, page.MostTexts)
	if err != nil {
		return err
	}
	if u.JSON {
		return u.Object(document.KindKitShow, kitShowJSON{schema, path, f.Size(), k.Stored(), &k.Manifest, all, append([]kit.Text{}, texts...)})
	}
	u.Answerf("%s: %s, whole and as it was made\n\n", path, disk.BytesText(f.Size()))
	page.Manifest(u, &k.Manifest)
	page.Texts(u, texts, all)
	switch {
	case k.FactsOnly:
		u.Answerf("\nThis kit holds facts alone; no card can be made from it.\n")
		return nil
	case k.Manifest.Rules == nil:
		u.Answerf("\n%s", kit.WayOut)
	}
	u.Answerf("\nNext:\n\n  bootgraft survey %s\n  bootgraft plan %s --size Ns%s -o card.plan\n", words.Shell(path), words.Shell(path), emptyFlags(&k.Manifest))
	return nil
}

// emptyFlags returns the flags that make every FAT volume empty, as a kit holds
// no files, but for those that are asked for already.
func emptyFlags(m *kit.Manifest, asked ...int) string {
	var b strings.Builder
	for _, v := range m.Facts.Volumes {
		if strings.HasPrefix(v.Kind, "fat") && !slices.Contains(asked, v.Index) {
			fmt.Fprintf(&b, " --empty-volume %d", v.Index)
		}
	}
	return b.String()
}
