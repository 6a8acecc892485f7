package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/kit/gather"
	"bootgraft/safety"
)

const kitMakeHelp = `Puts the boot areas of a drive into a kit: the partition table, head, gaps and
tail, and of FAT volumes the sectors before the allocation tables. No file, no
directory and no label of a volume known here goes into it.

Numbers that tell one drive from another (disk id, serial number of a volume)
stay, because a device may be bound to them, and are marked. Labels in FAT boot
sectors are overwritten. Names in the table, which a device may need, are
refused until you accept them. Of IMAGE.notes.txt a kit takes what stands behind
Device and Drive, and nothing else. On a drive without a table and without a volume
nobody knows what is private: the strings in it are shown, and --blank takes
sectors out.

With --with-loader the files that boot code names by their sectors go in too: a
volume that is made empty from such a kit keeps them in their places. What a
loader opens by name, such as its menu, does not arrive.

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
	withLoader bool
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
	input.Suffix(c, "rules", "rules")
	fl.StringArrayVar(&f.notes, "note", nil, "a note about the device; may be repeated")
	fl.StringVar(&f.drive, "drive", "", "what the drive calls itself (default: as captured)")
	fl.StringArrayVar(&f.blank, "blank", nil, "leave these sectors out; may be repeated")
	fl.BoolVar(&f.factsOnly, "facts-only", false, "places, sizes, hashes and rules alone, none of the drive's bytes; "+
		"what tells one drive from another is masked")
	fl.BoolVar(&f.withLoader, "with-loader", false, "also take up the files that boot code names by their sectors, "+
		"with their names")
	fl.BoolVar(&f.replace, "replace", false, "replace an empty file, or what a run that broke off left; a kit is "+
		"replaced by nothing")
	input.AcceptFlag(fl, &f.accept)
	fl.StringVar(&f.head, "head", "64MiB", "how much of the head, and of each gap, counts as boot area")
	fl.StringVar(&f.tail, "tail", "64MiB", "how much of the tail counts as boot area")
	fl.StringVar(&f.sectors, "sectors", "", "with --part: the number of sectors of the drive")
	fl.StringArrayVar(&f.parts, "part", nil, "a plain file with sectors of the drive: 0s=head.bin or "+
		"end-131072s=tail.bin; may be repeated")
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
	s, err := src.Survey(c.Context(), u)
	if err != nil {
		return err
	}
	f.notes = append(f.notes, kitNotes(u, src, kit.MaxText)...)
	k, err := f.gather(c.Context(), src, s)
	if err != nil {
		return err
	}
	if old, ok := src.Source.(*kit.Kit); ok && rules == nil && old.Rules() != nil {
		u.Sayf("%s brings rules; the new kit gets them too.", args[0])
		rules = old.Rules()
	}
	k.RuleSet = rules
	if err := f.accepted(u, k); err != nil {
		return err
	}
	return f.write(u, k, src.Files)
}

// check finds flags that contradict each other, and reads the rules, before
// anything else is opened.
func (f *kitMakeFlags) check(args []string) (rules []byte, err error) {
	switch {
	case f.withLoader && (f.factsOnly || len(f.parts) > 0):
		return nil, talk.Usagef("--with-loader takes up files of a drive; it goes with neither --facts-only nor --part")
	case f.out == "":
		return nil, talk.Usagef("give the new kit a name with -o")
	case len(args)+min(1, len(f.parts)) != 1:
		return nil, talk.Usagef("give either a SOURCE or pieces with --part")
	case (f.sectors == "") != (len(f.parts) == 0):
		return nil, talk.Usagef("--part and --sectors go together: the number of sectors of a drive is part of what its " +
			"boot areas mean")
	}
	if err := input.FileFree(f.out, safety.KitFile, &input.Source{}, f.replace); err != nil {
		return nil, err
	}
	if f.rules == "" {
		return nil, nil
	}
	known, rules, err := input.ReadRules(f.rules)
	if err != nil {
		return nil, err
	}
	f.ruleSize = known.SectorSize
	return rules, nil
}

// open opens what the kit is made of.
func (f *kitMakeFlags) open(c *cobra.Command, u *talk.UI, args []string) (*input.Source, error) {
	if len(f.parts) > 0 {
		if err := input.CheckSectorSize(f.source.SectorSize); err != nil {
			return nil, err
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
		return nil, input.Refused(u, err)
	}
	src.SayDamage(u)
	return src, nil
}

// capture reads the boot areas of a drive into KIT.capture, which stays, and
// returns its path. Sectors that the drive does not give are no error here.
func (f *kitMakeFlags) capture(c *cobra.Command, u *talk.UI, device string) (string, error) {
	img := f.out + ".capture"
	cf := captureFlags{only: "boot", free: "last", head: f.head, tail: f.tail, looks: 3, missingAs: "pattern",
		sectorSize: f.source.SectorSize, played: f.played}
	u.Sayf("Reading the boot areas of %s into %s first; Ctrl-C stops, and the same command goes on.", device, img)
	err := cf.run(c, u.Aside(), []string{device, img})
	if talk.ExitCode(err) == talk.ExitIncomplete {
		u.Sayf("%v", err)
		err = nil
	}
	return img, err
}

// gather finds out what goes into the kit.
func (f *kitMakeFlags) gather(ctx context.Context, src *input.Source, s *layout.Map) (*gather.Made, error) {
	remove, err := input.ParseSpans(f.blank, src)
	if err != nil {
		return nil, err
	}
	head, tail, err := input.ParseEnds(f.head, f.tail, src.SectorSize())
	if err != nil {
		return nil, err
	}
	linked, err := f.linked(ctx, src, s)
	if err != nil {
		return nil, err
	}
	k, err := gather.Make(ctx, src, s, gather.Options{
		Ends: gather.Ends{Head: head.Sectors, Tail: tail.Sectors}, Remove: remove,
		Absent: src.Absent(), OtherUnit: src.OtherUnit(), Parts: src.Parts,
		FactsOnly: f.factsOnly, Drive: cmp.Or(f.drive, src.DriveName()), Notes: f.notes,
		Program: build.Program(), MostTexts: page.MostTexts, Linked: linked, WithLoader: f.withLoader,
	})
	if no := (*gather.RefusedError)(nil); errors.As(err, &no) {
		return nil, talk.Coded(talk.ExitRefused, err)
	}
	return k, err
}

// linked lists the files that boot code names by their sectors.
func (f *kitMakeFlags) linked(ctx context.Context, src *input.Source, s *layout.Map) ([]kit.Linked, error) {
	if old, ok := src.Source.(*kit.Kit); ok {
		if f.withLoader && slices.ContainsFunc(old.Facts.Linked, func(l kit.Linked) bool { return l.Entry == "" }) {
			return nil, talk.Usagef("%s is a kit, and holds no more files than it does; --with-loader goes with an image",
				src.Path)
		}
		return old.Facts.Linked, nil
	}
	linked, err := gather.Linked(ctx, src, s)
	if err == nil && f.withLoader && len(linked) == 0 {
		err = talk.Refusef("no file of a FAT volume of %s was found that boot code names by its sectors; make the kit "+
			"without --with-loader", src.Path)
	}
	return linked, err
}

// accepted refuses what was not accepted by its code.
func (f *kitMakeFlags) accepted(u *talk.UI, k *gather.Made) error {
	k.Accept(input.OtherCodes(f.accept))
	if len(k.Need) == 0 {
		return nil
	}
	if u.JSON {
		u.Document(document.NewRefused(nil, k.Need))
		return talk.Coded(talk.ExitRefused, talk.ErrSaid)
	}
	return talk.Refusef("refusing to make this kit; nothing was written.\n%s", page.Needs(k.Need))
}

// write writes the kit under its name, when it is complete.
func (f *kitMakeFlags) write(u *talk.UI, k *gather.Made, avoid []os.FileInfo) error {
	var made *gather.Written
	err := input.WriteFile(f.out, safety.KitFile, f.replace, avoid, func(w io.Writer) (err error) {
		made, err = k.Write(w)
		return err
	})
	var large *kit.TooLargeError
	if errors.As(err, &large) {
		return talk.Refusef("%s", page.TooLarge(large.Bytes, k.Spans))
	}
	if err != nil {
		return err
	}
	n := made.Manifest.Count(kit.Missing)
	if len(f.parts) == 0 {
		n += made.Manifest.Count(kit.Unread)
	}
	u.Document(document.NewKitMake(f.out, k, made))
	page.KitMade(u, f.out, k, made, n)
	if n > 0 {
		return talk.Coded(talk.ExitIncomplete, fmt.Errorf("done, but %s of the boot areas could not be had",
			disk.Counted(n, "sector")))
	}
	return nil
}
