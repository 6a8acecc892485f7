package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/device"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/ata"
	"bootgraft/image/bridge"
	"bootgraft/image/capture"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/order"
	"bootgraft/layout/scan/sound/tracks"
)

const captureHelp = `Reads a dying drive once, gently, into an image file: first what decides
whether the device ever starts again, then tables and directories, then the
files, then the rest. What fails is left at once and comes back later. The drive
is opened for reading only and is never written. Where no volume is known, 64 KiB
of every 64 MiB tell what sounds, and that is read before noise and blank.

A record grows beside the image (IMAGE.record). Keep both files together. When
the drive goes away, the power fails or you press Ctrl-C, the same command goes
on where it was. What is safe is not read again, but for a few looks at the boot
areas and the sectors that tell one drive from another. IMAGE.notes.txt is a form
for what you see and hear; what you type into it stays.

Examples:

  sudo bootgraft capture /dev/sdX old.img
  sudo bootgraft capture next old.img                  plug the drive in now
  bootgraft capture \\.\PhysicalDrive2 old.img         Windows, as administrator
  sudo bootgraft capture /dev/rdisk9 old.img           macOS
  sudo bootgraft capture /dev/sdX old.img --only boot  minutes instead of hours
  sudo bootgraft capture /dev/sdX old.img --stop-after 2h --rest 10m/20m
  bootgraft capture --merge a.img b.img -o both.img
  bootgraft capture --merge a.img other.kit --other-drive 0+63 -o both.img

With --other-drive boot sectors that IMAGE lacks come from another unit of the same
model: a capture, an image or a kit of it. It is refused inside volumes, from a
unit of another size or layout, and where sectors beside them differ.

A span of sectors is START+COUNT, head:64MiB, tail:64MiB or end-N+COUNT.`

type captureFlags struct {
	only, free, head, tail string
	first, skip            []string
	missingAs              string
	looks, badReads, retry int
	retryHung, noHash      bool
	stopAfter              time.Duration
	rest                   string
	merge                  bool
	out, otherDrive        string
	sectorSize             int
	played                 map[string]capture.Drive // drives that the demonstration plays, by name
	report                 reportFlags
}

// What is read, what comes last, and what stands for a missing sector.
var (
	onlys = input.Choices{Flag: "only", Words: []string{"boot"}, None: true}
	frees = input.Choices{Flag: "free", Words: []string{"last", "skip"}}
	fills = input.Choices{Flag: "missing-as", Words: []string{"pattern", "zero"}}
)

func captureCommand(u *talk.UI, played map[string]capture.Drive) *cobra.Command {
	f := captureFlags{played: played}
	c := &cobra.Command{
		Use:   "capture SOURCE IMAGE",
		Short: "read a dying drive into an image, boot areas first",
		Long:  captureHelp,
		Args:  cobra.ExactArgs(2),
		RunE: func(c *cobra.Command, args []string) error {
			if _, err := os.Lstat(args[1] + record.Suffix); err == nil && !f.merge {
				f.report.goOn()
			}
			return f.report.around(u, "Reading a drive", func() error {
				if f.merge {
					return f.runMerge(c, u, args)
				}
				return f.run(c, u, args)
			})
		},
	}
	fl := c.Flags()
	onlys.Add(c, &f.only, "", "boot: stop after the boot areas")
	frees.Add(c, &f.free, "last", "sectors that no file uses: last or skip")
	fl.StringArrayVar(&f.first, "first", nil, "read these sectors before everything else; may be repeated")
	fl.StringArrayVar(&f.skip, "skip", nil, "never read these sectors; may be repeated")
	fl.StringVar(&f.head, "head", "64MiB", "how much of the head, and of each gap, counts as boot area")
	fl.StringVar(&f.tail, "tail", "64MiB", "how much of the tail counts as boot area")
	fl.IntVar(&f.looks, "looks", 3, "how often boot areas are read, spread over the run")
	fills.Add(c, &f.missingAs, "pattern", "what stands in the image for a missing sector: pattern or zero")
	fl.DurationVar(&f.stopAfter, "stop-after", 0, "stop after this time, e.g. 2h")
	fl.IntVar(&f.badReads, "stop-after-bad", 0, "stop after so many failed reads")
	fl.StringVar(&f.rest, "rest", "", "work and rest in turn, e.g. 10m/20m")
	fl.IntVar(&f.retry, "retry", 0, "try missing sectors so many times more, after all else")
	fl.BoolVar(&f.retryHung, "retry-hung", false, "try sectors at which a read never returned, one by one")
	fl.BoolVar(&f.noHash, "no-hash", false, "leave out the last pass that hashes the image file")
	fl.BoolVar(&f.merge, "merge", false, "make one capture of two: capture --merge A B -o C")
	fl.StringVarP(&f.out, "output", "o", "", "with --merge: the new image")
	fl.StringVar(&f.otherDrive, "other-drive", "", "with --merge: B is another unit of the same model; take only what A "+
		"lacks of this span from it")
	fl.IntVar(&f.sectorSize, "sector-size", 512, "logical sector size in bytes, where SOURCE is an image file")
	f.report.Add(c)
	return c
}

func (f *captureFlags) run(c *cobra.Command, u *talk.UI, args []string) error {
	if f.out != "" || f.otherDrive != "" {
		return talk.Usagef("-o and --other-drive go with --merge")
	}
	if err := cmp.Or(input.CheckSectorSize(f.sectorSize), input.ImagePlace(args[0], args[1])); err != nil {
		return err
	}
	target := input.CaptureTarget(args[1])
	if err := target.Idle(); err != nil {
		return input.CaptureError(err)
	}
	drive, closeDrive, err := f.openDrive(c.Context(), u, args[0])
	if err != nil {
		return err
	}
	defer closeDrive()
	if err := input.OnAnotherDisk(drive, args[1]); err != nil {
		return err
	}
	said, err := askDrive(u, args[0], drive)
	if err != nil {
		return err
	}
	opt, ends, err := f.options(drive)
	if err != nil {
		return err
	}
	opt.CheckBridge, opt.Says = true, said.Identify
	sayOdd(u, args[0], drive)
	defer u.AtOnce(captureStands(args[1]))()
	view := page.NewView(u, drive)
	r, err := capture.Run(c.Context(), drive, target, opt,
		&order.Advisor{Ends: ends, Files: f.only == "", Sound: f.only == "" && f.free == "last"}, view)
	view.Finish()
	if err != nil {
		return input.CaptureError(err)
	}
	makeNotes(u, args[1])
	r.Findings = append(said.Findings(image.Sectors(drive), drive.SectorSize()), r.Findings...)
	hits := f.addHits(c.Context(), u, args[1], r)
	f.answer(c, args, r, said)
	end := captured(u, args, r, drive, said, hits)
	// The page is also wanted of a run that was stopped, and what the run found is said by now.
	if err := f.takeImage(context.WithoutCancel(c.Context()), u, args); err != nil {
		return errors.Join(end, fmt.Errorf("the page shows no drive: %w", err))
	}
	return end
}

// sayOdd warns of bytes that belong to no whole sector.
func sayOdd(u *talk.UI, path string, drive capture.Drive) {
	if odd := drive.Size() % int64(drive.SectorSize()); odd > 0 {
		u.Sayf("warning: %s at the end of %s belong to no whole sector of %d bytes and are not captured. Was the file cut "+
			"short, or is it another --sector-size?", disk.Counted(odd, "byte"), path, drive.SectorSize())
	}
}

// answer is what a page says of the capture.
func (f *captureFlags) answer(c *cobra.Command, args []string, r *capture.Result, said ata.Drive) {
	first := f.report.answer.First // of a merge
	f.report.answer = page.CaptureAnswer(r, said)
	f.report.answer.First = append(first, f.report.answer.First...)
	f.report.answer.Next = []string{"bootgraft survey " + words.Shell(args[1])}
	if r.Stop != capture.Done {
		f.report.answer.Next = []string{input.Again(c, args...)}
	}
	if said.Identify != nil {
		f.report.serials = append(f.report.serials, said.Identify.Serial, said.Identify.Model)
	}
}

// askDrive asks a drive what it is before it is read, and says what it answers: what
// does not agree with what the system shows is worth another bridge before the hours
// of a capture.
func askDrive(u *talk.UI, path string, d capture.Drive) (ata.Drive, error) {
	asks, ok := d.(interface{ Drive() ata.Drive })
	if !ok {
		return ata.Drive{}, nil
	}
	said, err := device.AskDrive(path, asks)
	if err != nil {
		return said, err
	}
	if line := page.DriveLine(said); line != "" {
		u.Sayf("%s", line)
	}
	for _, f := range said.Findings(image.Sectors(d), d.SectorSize()) {
		u.Sayf("warning: %s: %s", f.Code, f.Text)
	}
	return said, nil
}

// takeImage gathers what a page says of the drive, from the image: the drive is not
// asked again.
func (f *captureFlags) takeImage(ctx context.Context, u *talk.UI, args []string) error {
	if !f.report.wanted() {
		return nil
	}
	f.report.names = append(f.report.names, args...)
	src, m, err := f.openImage(ctx, u, args[1])
	if err != nil {
		return err
	}
	defer src.Close()
	return f.report.takeDrive(ctx, u, src, m)
}

// openImage opens and surveys what was captured.
func (f *captureFlags) openImage(ctx context.Context, u *talk.UI, path string) (*input.Source, *layout.Map, error) {
	src, err := f.openCaptured(u, path)
	if err != nil {
		return nil, nil, err
	}
	m, err := src.Survey(ctx, u)
	if err != nil {
		return nil, nil, errors.Join(err, src.Close())
	}
	return src, m, nil
}

// openCaptured opens a capture of which it is only said what there is.
func (f *captureFlags) openCaptured(u *talk.UI, path string) (*input.Source, error) {
	return input.OpenSource(path, input.SourceFlags{SectorSize: f.sectorSize, Shows: true, Bar: u.Bar})
}

// captureStands says what a capture is worth that ends at once.
func captureStands(img string) func() (string, int) {
	return func() (string, int) {
		return fmt.Sprintf(
			"What the record says is safe: %s and %s%s are as after a cut of the power, "+
				"and the same command goes on. If the drive does not answer, cut its power and wait a minute first",
			img, img, record.Suffix), talk.ExitStopped
	}
}

// openDrive opens what is to be captured: a device, the next device that is
// plugged in, or an image file.
func (f *captureFlags) openDrive(ctx context.Context, u *talk.UI, path string) (capture.Drive, func(), error) {
	if d, ok := f.played[path]; ok {
		return d, func() {}, nil
	}
	if path != "next" {
		img, err := image.Open(path, f.sectorSize)
		if err == nil {
			return capture.NewFileDrive(img), func() { img.Close() }, nil
		}
		var kind *image.NotRegularError
		if !errors.As(err, &kind) || kind.Kind != image.BlockDevice {
			return nil, nil, input.SourceError(path, err)
		}
	}
	d, err := device.OpenDrive(ctx, u, path)
	if err != nil {
		return nil, nil, err
	}
	return d, func() { d.Close() }, nil
}

func (f *captureFlags) options(src image.Source) (o capture.Options, ends capture.Ends, err error) {
	o = capture.Options{
		Looks: f.looks, StopAfter: f.stopAfter, StopAfterBad: f.badReads, Retry: f.retry,
		RetryHung: f.retryHung, Hash: !f.noHash, OnlyBoot: f.only == "boot", SkipFree: f.free == "skip",
		MissingAs: record.Fill(f.missingAs), Program: build.Program(),
	}
	if err := cmp.Or(onlys.Check(f.only), frees.Check(f.free), fills.Check(f.missingAs)); err != nil {
		return o, ends, err
	}
	switch {
	case f.looks < 1 || f.looks > 100:
		return o, ends, talk.Usagef("--looks %d makes no sense: it is 1 to 100", f.looks)
	case f.stopAfter < 0 || f.badReads < 0 || f.retry < 0:
		return o, ends, talk.Usagef("--stop-after, --stop-after-bad and --retry cannot be negative")
	}
	if o.Work, o.Rest, err = input.ParseRest(f.rest); err != nil {
		return o, ends, err
	}
	if o.First, err = input.ParseSpans(f.first, src); err != nil {
		return o, ends, err
	}
	if o.Skip, err = input.ParseSpans(f.skip, src); err != nil {
		return o, ends, err
	}
	head, tail, err := input.ParseEnds(f.head, f.tail, src.SectorSize())
	return o, capture.Ends{Head: head.Bytes, Tail: tail.Bytes}, err
}

// captured says what is safe and how the program ends.
func captured(u *talk.UI, args []string, r *capture.Result, src image.Source, said ata.Drive,
	hits []tracks.Hit) error {
	d := document.NewCapture(r, hits)
	d.Says(said)
	u.Document(d)
	page.Capture(u, args[1], r, src.SectorSize())
	return captureEnd(u, args, r)
}

func captureEnd(u *talk.UI, args []string, r *capture.Result) error {
	if r.Stop == capture.DriveChanged {
		return talk.Coded(talk.ExitStopped, fmt.Errorf(
			"%s: %s. What may be of the other one counts as unread. Connect the drive that the capture was begun "+
				"with, and type the same command",
			page.StopTexts[r.Stop], r.Why))
	}
	if r.Stop != capture.Done {
		return talk.Coded(talk.ExitStopped, fmt.Errorf("%s", page.StopTexts[r.Stop]))
	}
	u.Next(fmt.Sprintf("Keep %s and %s%s together. Next:", args[1], args[1], record.Suffix),
		"bootgraft survey "+words.Shell(args[1]))
	if n := r.Hung.Sectors(); n > 0 {
		u.Wrapped("", fmt.Sprintf(
			"The drive stopped answering in %s, which were left alone since. To try them one by one, "+
				"at the risk of stopping it again, add --retry-hung.",
			disk.Counted(n, "sector")))
	}
	if len(r.Missing) > 0 || len(r.Unstable) > 0 || len(r.Hung) > 0 {
		return talk.Coded(talk.ExitIncomplete, fmt.Errorf("done, but not every sector is safe: %s", page.NotSafe(r)))
	}
	for _, f := range r.Findings {
		if bridge.Hides(f.Code) {
			return talk.Coded(talk.ExitIncomplete, fmt.Errorf(
				"done, but what was shown is not the drive as it is: %s. bootgraft help %s says what to do", f.Code, f.Code))
		}
	}
	return nil
}
