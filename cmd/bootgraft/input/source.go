// Package input understands what a person types: sizes, spans and choices, and
// what SOURCE, PLAN, TARGET and the name of a new file stand for. It opens them,
// and says in plain words why something cannot be used and what to type instead.
// It does no work of its own: it prints nothing but that warning of a source
// whose record is damaged, and it writes only through safety.
package input

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/packed"
	"bootgraft/image/pieces"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/plan"
	"bootgraft/layout/scan"
	"bootgraft/safety/blockdev"
)

// Source is a SOURCE that was opened, and what it was opened from.
type Source struct {
	image.Source
	Path     string
	Files    []os.FileInfo // the files that are read for it
	Close    func() error
	Parts    *pieces.Drive  // the pieces, if it is put together from some
	Findings []disk.Finding // what is to be said of it, accepted or not
	damage   *disk.Finding  // of the record of a capture, nil if it is whole
}

// SayDamage says what is wrong with the record of a capture, or how a disk was opened.
func (o *Source) SayDamage(u *talk.UI) {
	SayTold(u, o.Source)
	if o.damage != nil {
		u.Sayf("warning: %s: %s", o.Path, o.damage.Text)
	}
}

// NextData implements image.Sparse.
func (o *Source) NextData(off int64) (start, end int64) { return image.NextData(o.Source, off) }

// Unknown implements image.Partial.
func (o *Source) Unknown(w disk.Span) disk.Spans { return image.Unknown(o.Source, w) }

// Once returns the same SOURCE, of which boot areas and tables are read once
// however many ask for them. Closing is left to the first. What had to be accepted to
// open it is not asked again; what was only to be told goes on being told.
func (o *Source) Once() *Source {
	told := slices.DeleteFunc(slices.Clone(o.Findings), func(f disk.Finding) bool { return f.Severity == disk.Refusal })
	return &Source{Source: image.NewCache(o.Source), Path: o.Path, Files: o.Files, Findings: told,
		Close: func() error { return nil }}
}

// SourceFlags are the flags of every command that reads a SOURCE.
type SourceFlags struct {
	SectorSize int
	Record     string
	Accept     []disk.Code // codes that are accepted
	Shows      bool        // the command only says what there is: findings about the image do not stop it
	Captured   bool        // no drive itself is read, a healthy one neither
	Command    *cobra.Command
	Bar        talk.Bar
}

// SectorSizeFlag adds --sector-size to the flags of a command.
func SectorSizeFlag(c *cobra.Command, size *int) {
	c.Flags().IntVar(size, "sector-size", 512, "logical sector size of an image file in bytes: 512, 1024, 2048 or 4096")
}

// CheckSectorSize refuses a size of sectors, in bytes, that no disk has here.
func CheckSectorSize(n int) error { return talk.Coded(talk.ExitUsage, image.CheckSectorSize(n)) }

// Add adds the flags to those of a command.
func (f *SourceFlags) Add(c *cobra.Command) {
	SectorSizeFlag(c, &f.SectorSize)
	f.Command = c
	c.Flags().StringVar(&f.Record, "record", "", "the record of a capture, if it is not beside the image")
}

// Words are the flags that a next command about the same SOURCE needs, as typed.
func (f *SourceFlags) Words() string {
	var typed string
	if f.SectorSize != 512 {
		typed += fmt.Sprintf(" --sector-size %d", f.SectorSize)
	}
	if f.Record != "" {
		typed += " --record " + words.Shell(f.Record)
	}
	return typed + acceptWords(f.Accept)
}

// OpenSource opens a SOURCE by what it is: a block device, a kit, a capture (an
// image with its record), or a plain image.
func OpenSource(path string, f SourceFlags) (*Source, error) {
	if err := CheckSectorSize(f.SectorSize); err != nil {
		return nil, err
	}
	img, err := image.Open(path, f.SectorSize)
	var kind *image.NotRegularError
	if errors.As(err, &kind) && kind.Kind == image.BlockDevice {
		return openLive(path, f)
	}
	if err != nil {
		return nil, SourceError(path, err)
	}
	st, err := img.Stat()
	if err != nil {
		img.Close()
		return nil, err
	}
	if IsPlan(img) {
		img.Close()
		return nil, planForSource(path)
	}
	if err := OtherThanDrive(path, "a drive: an image, a capture or a kit"); err != nil {
		img.Close()
		return nil, err
	}
	recordPath := f.Record
	if recordPath == "" && kit.Is(img) {
		k, err := openKit(path, img, st)
		return f.asTyped(k, err)
	}
	if recordPath == "" {
		if beside := record.Beside(path); exists(beside) {
			recordPath = beside
		}
	}
	if recordPath == "" && packed.Is(img) {
		img.Close()
		unpacked, err := packed.Open(path, f.SectorSize)
		if err != nil {
			return nil, err
		}
		return openPlain(path, unpacked, st, f)
	}
	if recordPath == "" {
		return openPlain(path, img, st, f)
	}
	img.Close()
	c, err := openCapture(path, recordPath, st)
	return f.asTyped(c, err)
}

// asTyped refuses a --sector-size that is not that of a source which says its own:
// what is counted in other sectors than was meant lies elsewhere.
func (f *SourceFlags) asTyped(o *Source, err error) (*Source, error) {
	if err != nil || f.Command == nil || !f.Command.Flags().Changed("sector-size") || o.SectorSize() == f.SectorSize {
		return o, err
	}
	own := o.SectorSize()
	return nil, errors.Join(talk.Usagef("%s says of itself that its sectors have %s bytes, not %d: leave "+
		"--sector-size out",
		o.Path, disk.Grouped(own), f.SectorSize), o.Close())
}

// openKit opens a kit as the drive that it is of.
func openKit(path string, img *image.File, st os.FileInfo) (*Source, error) {
	k, err := kit.Open(img, img.Size())
	switch {
	case err != nil:
		err = fmt.Errorf("%s: %w", path, err)
	case k.FactsOnly:
		err = talk.Refusef("%s holds facts alone, and no sector of the drive: it cannot stand for one. What is in it: "+
			"bootgraft kit show %s", path, words.Shell(path))
	default:
		return &Source{Source: k, Path: path, Files: []os.FileInfo{st}, Close: img.Close, Findings: k.Told()}, nil
	}
	img.Close()
	return nil, err
}

func openCapture(path, recordPath string, st os.FileInfo) (*Source, error) {
	c, err := record.Open(path, recordPath)
	if err != nil {
		return nil, CaptureError(fmt.Errorf("%s and its record cannot be used: %w", path, err))
	}
	files := []os.FileInfo{st}
	if r, err := os.Stat(recordPath); err == nil {
		files = append(files, r)
	}
	return &Source{Source: c, Path: path, Files: files, Close: c.Close, Findings: c.Told(), damage: c.Finding()}, nil
}

// openLive opens a block device as it is, if its owner says that it is
// healthy; a dying drive is read once, by capture.
func openLive(path string, f SourceFlags) (*Source, error) {
	if f.Captured || !slices.Contains(f.Accept, disk.LiveSource) {
		healthy := fmt.Sprintf("A healthy disk can be read as it is with --accept %s", disk.LiveSource)
		if f.Captured {
			healthy = "A healthy disk too: what is shown to others is read again and again"
		}
		return nil, talk.Refusef(
			"%s is a block device. Capture it first, so that the drive is read once and gently:\n\n  %s\n\n%s",
			path, words.AsRoot("bootgraft capture "+words.Shell(path)+" old.img"), healthy)
	}
	d, err := blockdev.OpenSource(path)
	if err != nil {
		return nil, DeviceError(path, err)
	}
	o := &Source{Source: d, Path: path, Close: d.Close}
	if st, err := os.Stat(path); err == nil {
		o.Files = []os.FileInfo{st}
	}
	return o, nil
}

// planSource opens the source of a plan: the one given, or the one that the plan
// remembers.
func planSource(p *plan.Plan, planPath string, f PlanSourceFlags) (*Source, error) {
	path := f.Source
	if path == "" {
		if path = p.Source.Path; path == "" {
			return nil, talk.Usagef("the plan does not remember where its source lies; give --source")
		}
		if path = remembered(path, filepath.Dir(planPath)); path == "" {
			return nil, fmt.Errorf("the source of the plan was %s, which is not there now, nor beside the plan; give it "+
				"with --source", p.Source.Path)
		}
	}
	return OpenSource(path, f.With(p.Source.SectorSize))
}

// remembered returns where the source of a plan lies now: where the plan
// remembers it, as seen from here or from the folder of the plan, or in that
// folder under its own name, also packed; a plan and its source often travel together. It
// returns nothing if it is at none of these places.
func remembered(source, folder string) string {
	places := []string{source, filepath.Join(folder, source), filepath.Join(folder, path.Base(source))}
	if filepath.IsAbs(source) {
		places = slices.Delete(places, 1, 2)
	}
	for _, at := range places {
		if exists(at) {
			return at
		}
		if exists(at + packed.Suffix) {
			return at + packed.Suffix
		}
	}
	return ""
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// PlanSourceFlags are the flags of every command that reads the source of a
// plan.
type PlanSourceFlags struct {
	Source, Record string
	Captured       bool // as in SourceFlags
	Accept         []disk.Code
	Command        *cobra.Command
	Bar            talk.Bar
}

// With are the flags of a SOURCE with sectors of so many bytes, where that is opened, or may be,
// without a plan.
func (f *PlanSourceFlags) With(sectorSize int) SourceFlags {
	return SourceFlags{SectorSize: sectorSize, Record: f.Record, Captured: f.Captured, Accept: f.Accept,
		Command: f.Command, Bar: f.Bar}
}

// Words are the flags that a next command about the same plan needs, as typed.
func (f *PlanSourceFlags) Words() string {
	var typed string
	if f.Source != "" {
		typed += " --source " + words.Shell(f.Source)
	}
	if f.Record != "" {
		typed += " --record " + words.Shell(f.Record)
	}
	return typed + acceptWords(f.Accept)
}

// Add adds the flags to those of a command.
func (f *PlanSourceFlags) Add(c *cobra.Command) {
	f.Command = c
	c.Flags().StringVar(&f.Source, "source", "", "the source of the plan, if it is not where the plan remembers it")
	c.Flags().StringVar(&f.Record, "record", "", "the record of a captured source, if it is not beside the image")
	AcceptFlag(c.Flags(), &f.Accept)
}

// OpenReadOnly opens a TARGET that is only read: an image file, or a card.
func OpenReadOnly(path string, sectorSize int) (image.Source, func(), error) {
	f, err := image.Open(path, sectorSize)
	if err == nil {
		return f, func() { f.Close() }, nil
	}
	var kind *image.NotRegularError
	if !errors.As(err, &kind) || kind.Kind != image.BlockDevice {
		return nil, nil, SourceError(path, err)
	}
	d, err := blockdev.OpenSource(path)
	if err != nil {
		return nil, nil, DeviceError(path, err)
	}
	return d, func() { d.Close() }, nil
}

// DriveName returns what the drive calls itself: its model, never its number.
func (o *Source) DriveName() string {
	switch c := o.Source.(type) {
	case *record.Source:
		return c.Record().Identity.Model
	case *kit.Kit:
		return c.Drive
	}
	return ""
}

// Absent says why sectors of a source are not known; what it does not name was
// not read.
func (o *Source) Absent() map[kit.State]disk.Spans {
	switch c := o.Source.(type) {
	case *record.Source:
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

// OtherUnit returns the sectors that another unit of the model gave.
func (o *Source) OtherUnit() disk.Spans {
	switch c := o.Source.(type) {
	case *record.Source:
		return c.Record().OfOtherUnits()
	case *kit.Kit:
		return c.OtherUnit
	}
	return nil
}

// Survey surveys the source, and tells what opening it found.
func (o *Source) Survey(ctx context.Context, u *talk.UI) (*layout.Map, error) {
	progress, finish := u.Sectors("looking", o.SectorSize())
	defer finish()
	return scan.Run(ctx, o, scan.Options{Progress: progress, Source: func() []disk.Finding { return o.Findings }})
}

// Refused writes what a SOURCE asks for as one object, where a script asks.
func Refused(u *talk.UI, err error) error {
	var e *NeedError
	if !u.JSON || !errors.As(err, &e) {
		return err
	}
	u.Document(document.NewRefused(nil, e.Need))
	return talk.Coded(talk.ExitRefused, talk.ErrSaid)
}
