package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/layout/kit"
	"bootgraft/layout/plan"
	"bootgraft/safety"
	"bootgraft/safety/blockdev"
)

// opened is a SOURCE that was opened, and what it was opened from.
type opened struct {
	image.Source
	path     string
	files    []os.FileInfo // the files that are read for it
	close    func() error
	parts    *parts         // the pieces, if it is put together from some
	findings []disk.Finding // what is to be said of it, accepted or not
	damage   *disk.Finding  // of the record of a capture, nil if it is whole
}

// sayDamage says what is wrong with the record of a capture.
func (o *opened) sayDamage(u *talk.UI) {
	if o.damage != nil {
		u.Sayf("warning: %s: %s", o.path, o.damage.Text)
	}
}

// NextData implements image.Sparse.
func (o *opened) NextData(off int64) (start, end int64) { return image.NextData(o.Source, off) }

// Unknown implements image.Partial.
func (o *opened) Unknown(w disk.Span) disk.Spans { return image.Unknown(o.Source, w) }

// once returns the same SOURCE, of which boot areas and tables are read once
// however many ask for them. Closing is left to the first.
func (o *opened) once() *opened {
	return &opened{Source: image.NewCache(o.Source), path: o.path, files: o.files, close: func() error { return nil }}
}

// sourceFlags are the flags of every command that reads a SOURCE.
type sourceFlags struct {
	sectorSize int
	record     string
	accept     []disk.Code // codes that are accepted
	shows      bool        // the command only says what there is: findings about the image do not stop it
	command    *cobra.Command
	bar        func(what string) (progress func(done, total int64), finish func())
}

func (f *sourceFlags) add(c *cobra.Command) {
	c.Flags().IntVar(&f.sectorSize, "sector-size", 512, "logical sector size of an image file in bytes: 512, 1024, 2048 or 4096")
	f.command = c
	c.Flags().StringVar(&f.record, "record", "", "the record of a capture, if it is not beside the image")
}

// words are the flags that a next command about the same SOURCE needs, as typed.
func (f *sourceFlags) words() string {
	var typed string
	if f.sectorSize != 512 {
		typed += fmt.Sprintf(" --sector-size %d", f.sectorSize)
	}
	if f.record != "" {
		typed += " --record " + words.Shell(f.record)
	}
	return typed + acceptWords(f.accept)
}

// openSource opens a SOURCE by what it is: a block device, a kit, a capture (an
// image with its record), or a plain image.
func openSource(path string, f sourceFlags) (*opened, error) {
	if err := image.CheckSectorSize(f.sectorSize); err != nil {
		return nil, talk.Coded(talk.ExitUsage, err)
	}
	img, err := image.Open(path, f.sectorSize)
	var kind *image.NotRegularError
	if errors.As(err, &kind) && kind.Kind == "a block device" {
		return openLive(path, f)
	}
	if err != nil {
		return nil, sourceError(path, err)
	}
	st, err := img.Stat()
	if err != nil {
		img.Close()
		return nil, err
	}
	if isPlan(img) {
		img.Close()
		return nil, planForSource(path)
	}
	if err := otherThanDrive(path, "a drive: an image, a capture or a kit"); err != nil {
		img.Close()
		return nil, err
	}
	record := f.record
	if record == "" && kit.Is(img) {
		return openKit(path, img, st)
	}
	if record == "" {
		if _, err := os.Stat(path + capture.RecordSuffix); err == nil {
			record = path + capture.RecordSuffix
		}
	}
	if record == "" {
		return openPlain(path, img, st, f)
	}
	img.Close()
	return openCapture(path, record, st)
}

// openKit opens a kit as the drive that it is of.
func openKit(path string, img *image.File, st os.FileInfo) (*opened, error) {
	k, err := kit.Open(img, img.Size())
	switch {
	case err != nil:
		err = fmt.Errorf("%s: %w", path, err)
	case k.FactsOnly:
		err = talk.Refusef("%s holds facts alone, and no sector of the drive: it cannot stand for one. What is in it: bootgraft kit show %s", path, words.Shell(path))
	default:
		return &opened{Source: k, path: path, files: []os.FileInfo{st}, close: img.Close}, nil
	}
	img.Close()
	return nil, err
}

func openCapture(path, record string, st os.FileInfo) (*opened, error) {
	c, err := capture.Open(path, record)
	if err != nil {
		return nil, captureError(fmt.Errorf("%s and its record cannot be used: %w", path, err))
	}
	files := []os.FileInfo{st}
	if r, err := os.Stat(record); err == nil {
		files = append(files, r)
	}
	return &opened{Source: c, path: path, files: files, close: c.Close, damage: c.Finding()}, nil
}

// openLive opens a block device as it is, if its owner says that it is
// healthy; a dying drive is read once, by capture.
func openLive(path string, f sourceFlags) (*opened, error) {
	if !slices.Contains(f.accept, disk.LiveSource) {
		return nil, talk.Refusef("%s is a block device. Capture it first, so that the drive is read once and gently:\n\n  bootgraft capture %s old.img\n\nA healthy disk can be read as it is with --accept %s", path, words.Shell(path), disk.LiveSource)
	}
	d, err := blockdev.OpenSource(path)
	if err != nil {
		return nil, deviceError(path, err)
	}
	o := &opened{Source: d, path: path, close: d.Close}
	if st, err := os.Stat(path); err == nil {
		o.files = []os.FileInfo{st}
	}
	return o, nil
}

// sourceError says what to do about a SOURCE that does not open.
func sourceError(path string, err error) error {
	var kind *image.NotRegularError
	switch {
	case errors.As(err, &kind):
		return fmt.Errorf("%w; give the path of an image file", err)
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no file %s", path)
	case errors.Is(err, fs.ErrPermission):
		return permissionError(path, fs.ErrPermission)
	}
	return err
}

// openPlan reads a plan file. The file stays open as long as the plan is used.
func openPlan(path string) (*plan.Plan, *os.File, error) {
	st, err := os.Stat(path)
	if err != nil {
		return nil, nil, sourceError(path, err)
	}
	if !st.Mode().IsRegular() {
		return nil, nil, fmt.Errorf("%s is not a plan file: it is not a regular file", path)
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, sourceError(path, err)
	}
	p, err := plan.Decode(f, st.Size())
	if err != nil {
		f.Close()
		if newer := (*disk.NewerFormError)(nil); errors.As(err, &newer) {
			return nil, nil, fmt.Errorf("%s: %w", path, newer)
		}
		if kind := safety.OwnKind(path); kind != "" && kind != safety.PlanFile {
			return nil, nil, talk.Usagef("%s is %s, and what is wanted here is a plan", path, kind)
		}
		return nil, nil, fmt.Errorf("%s is no plan that can be trusted: %w. Make it again with: bootgraft plan", path, err)
	}
	return p, f, nil
}

// planSource opens the source of a plan: the one given, or the one that the plan
// remembers.
func planSource(p *plan.Plan, planPath string, f planSourceFlags) (*opened, error) {
	path := f.source
	if path == "" {
		if path = p.Source.Path; path == "" {
			return nil, talk.Usagef("the plan does not remember where its source lies; give --source")
		}
		if path = remembered(path, filepath.Dir(planPath)); path == "" {
			return nil, fmt.Errorf("the source of the plan was %s, which is not there now, nor beside the plan; give it with --source", p.Source.Path)
		}
	}
	return openSource(path, sourceFlags{
		sectorSize: p.Source.SectorSize, record: f.record, accept: f.accept, shows: f.shows, command: f.command, bar: f.bar,
	})
}

// remembered returns where the source of a plan lies now: where the plan
// remembers it, as seen from here or from the folder of the plan, or in that
// folder under its own name; a plan and its source often travel together. It
// returns nothing if it is at none of these places.
func remembered(source, folder string) string {
	places := []string{source, filepath.Join(folder, source), filepath.Join(folder, path.Base(source))}
	if filepath.IsAbs(source) {
		places = slices.Delete(places, 1, 2)
	}
	for _, at := range places {
		if _, err := os.Stat(at); err == nil {
			return at
		}
	}
	return ""
}

// planSourceFlags are the flags of every command that reads the source of a
// plan.
type planSourceFlags struct {
	source, record string
	accept         []disk.Code
	shows          bool // as in sourceFlags
	command        *cobra.Command
	bar            func(what string) (progress func(done, total int64), finish func())
}

// words are the flags that a next command about the same plan needs, as typed.
func (f *planSourceFlags) words() string {
	var typed string
	if f.source != "" {
		typed += " --source " + words.Shell(f.source)
	}
	if f.record != "" {
		typed += " --record " + words.Shell(f.record)
	}
	return typed + acceptWords(f.accept)
}

func (f *planSourceFlags) add(c *cobra.Command) {
	f.command = c
	c.Flags().StringVar(&f.source, "source", "", "the source of the plan, if it is not where the plan remembers it")
	c.Flags().StringVar(&f.record, "record", "", "the record of a captured source, if it is not beside the image")
	acceptFlag(c.Flags(), &f.accept)
}

// openReadOnly opens a TARGET that is only read: an image file, or a card.
func openReadOnly(path string, sectorSize int) (image.Source, func(), error) {
	f, err := image.Open(path, sectorSize)
	if err == nil {
		return f, func() { f.Close() }, nil
	}
	var kind *image.NotRegularError
	if !errors.As(err, &kind) || kind.Kind != "a block device" {
		return nil, nil, sourceError(path, err)
	}
	d, err := blockdev.OpenSource(path)
	if err != nil {
		return nil, nil, deviceError(path, err)
	}
	return d, func() { d.Close() }, nil
}
