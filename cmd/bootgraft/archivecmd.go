package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/device"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/packed"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/safety/archive"
	"bootgraft/safety/notes"
)

const archiveHelp = `Gathers everything about one card in a new folder: the image of the drive with its
record and notes, the plan, its receipts, photos, pages to print, and HOW.txt,
which says how to check all of it and how to make the card again with dd and
sha256sum alone. Where the plan makes bytes new, or copies more than 200 runs, the
finished card lies in the folder too.

The destination is looked at first: its room, the largest file that it takes, and
whether it stores holes. The folder has another name until all of it was written
and read back. bootgraft verify DIR checks it years later.

Examples:

  bootgraft archive songbird-0412 --plan card.plan
  bootgraft archive songbird-0412 --plan card.plan --photo label.jpg --photo pin1.jpg
  bootgraft verify songbird-0412`

type archiveFlags struct {
	plan, unit       string
	photos, receipts []string
	pack             bool
	source           input.PlanSourceFlags
}

func archiveCommand(u *talk.UI) *cobra.Command {
	var f archiveFlags
	c := &cobra.Command{
		Use:   "archive DIR --plan PLAN",
		Short: "everything about a card in one folder that explains itself",
		Long:  archiveHelp,
		Args:  cobra.ExactArgs(1),
		RunE:  func(c *cobra.Command, args []string) error { return f.run(c.Context(), u, args[0]) },
	}
	fl := c.Flags()
	fl.StringVar(&f.plan, "plan", "", "the plan of the card")
	fl.StringArrayVar(&f.photos, "photo", nil, "a photo, or any other file, to keep beside it; may be repeated")
	fl.StringArrayVar(&f.receipts, "receipt", nil, "a receipt that does not lie beside the plan; may be repeated")
	fl.StringVar(&f.unit, "unit", "", "what the unit is called on the label line (default: the name of the folder)")
	fl.BoolVar(&f.pack, "pack", false, "store the image, and the card where that lies in it, compressed in blocks of "+
		"their own: they can be used as they are, and any zstd program unpacks them; a kit is compressed already")
	f.source.Add(c)
	return c
}

func (f *archiveFlags) run(ctx context.Context, u *talk.UI, dir string) error {
	if f.plan == "" {
		return talk.Usagef("give the plan of the card with --plan")
	}
	f.source.Bar = u.Bar
	job, err := input.OpenJob(f.plan, f.source)
	if err != nil {
		return err
	}
	defer job.Close()
	job.Src.SayDamage(u)
	guide, items, err := f.gather(ctx, u, dir, job)
	if err != nil {
		return err
	}
	if guide.Changed, err = f.changed(ctx, job); err != nil {
		return err
	}
	work := archive.Job{Dir: dir, Items: items, How: guide.Text}
	var finish func()
	work.Progress, finish = u.Bar("archiving")
	files, err := archive.Make(ctx, work)
	finish()
	if err != nil {
		return archiveError(err)
	}
	u.Document(document.NewArchiveMade(dir, files, guide))
	page.ArchiveMade(u, dir, files, guide)
	if n := guide.Changed.Sectors(); n > 0 {
		return talk.Coded(talk.ExitDifferent, fmt.Errorf("the archive is made, but %s of the image lie in spans that are no "+
			"longer what was read from the drive (bootgraft verify %s): HOW.txt says so too. The capture command that made "+
			"the image reads them anew, if the drive still answers", disk.Counted(n, "sector"), words.Shell(job.Src.Path)))
	}
	if n := layout.Missing(job.Plan.Pieces).Sectors(); n > 0 {
		return talk.Coded(talk.ExitIncomplete, errors.New(page.ZerosText(n)))
	}
	return nil
}

// changed returns the sectors of a capture that are no longer what was read, by the digests of
// its record: an archive is for the years in which nobody can read them anew.
func (f *archiveFlags) changed(ctx context.Context, job *input.Job) (disk.Spans, error) {
	src, ok := job.Src.Source.(*record.Source)
	if !ok {
		return nil, nil
	}
	c, err := capture.Verify(ctx, src.Record(), src.File())
	if err != nil {
		return nil, input.CaptureError(err)
	}
	return c.Damaged, nil
}

func archiveError(err error) error {
	var place *archive.PlaceError
	if errors.As(err, &place) {
		return talk.Coded(talk.ExitRefused, err)
	}
	return err
}

// gather lists what goes into the archive, and what its text says of the card.
func (f *archiveFlags) gather(ctx context.Context, u *talk.UI, dir string,
	job *input.Job) (*archive.Guide, []archive.Item, error) {
	if input.IsDevice(job.Src.Path) {
		return nil, nil, talk.Refusef("%s is a device, and an archive holds an image of it: capture it first", job.Src.Path)
	}
	digest, err := job.Plan.Digest()
	if err != nil {
		return nil, nil, err
	}
	if f.unit == "" {
		f.unit = filepath.Base(filepath.Clean(dir))
	}
	names := archive.NewNames()
	g := &archive.Guide{Label: page.LabelLine(f.unit, time.Now(), job.Plan.Target, digest), Plan: job.Plan}
	items := f.sources(names, g, job)
	for _, r := range append(device.Receipts(f.plan), f.receipts...) {
		items = append(items, archive.Item{Name: names.Take(filepath.Base(r)), What: "the receipt of a card that was written",
			Path: r})
	}
	for _, p := range f.photos {
		name := names.Take("photos/" + filepath.Base(p))
		items = append(items, archive.Item{Name: name, What: "as it was given", Path: p})
		if was := filepath.Base(p); "photos/"+was != name {
			g.Photos = append(g.Photos, fmt.Sprintf("%s was called %q", name, was))
		}
	}
	for _, it := range items {
		if it.Path == "" {
			continue
		}
		if img, err := image.Open(it.Path, 512); err != nil {
			return nil, nil, input.SourceError(it.Path, err)
		} else if err := img.Close(); err != nil {
			return nil, nil, err
		}
	}
	pages, err := f.pages(ctx, u, names, job)
	if err != nil {
		return nil, nil, err
	}
	g.Sum, err = archive.SumOfWritten(ctx, job.Card, job.Plan.Pieces, g.Card != "")
	return g, append(items, pages...), err
}

// sources are the plan, what it is made from, and the card where that is stored.
func (f *archiveFlags) sources(names *archive.Names, g *archive.Guide, job *input.Job) []archive.Item {
	planName := names.Take(filepath.Base(f.plan))
	g.Image = names.Take(strings.TrimSuffix(filepath.Base(job.Src.Path), packed.Suffix))
	items := []archive.Item{
		{Name: planName, What: "the plan: where every sector of the card comes from", Path: f.plan},
		{Name: g.Image, What: "the drive", Path: job.Src.Path},
	}
	byHand, asItIs := archive.ByHand(job.Plan), strings.TrimSuffix(job.Src.Path, packed.Suffix)
	switch job.Src.Source.(type) {
	case *record.Source:
		beside := f.source.Record
		if beside == "" {
			beside = record.Beside(job.Src.Path)
		}
		items = append(items, archive.Item{Name: names.Take(g.Image + record.Suffix),
			What: "which sectors of it were read, and which failed", Path: beside})
	case *kit.Kit:
		items[1].What, byHand = "the boot areas of the drive", false // its sectors lie elsewhere in a kit
	}
	if _, err := os.Lstat(asItIs + notes.Suffix); err == nil {
		items = append(items, archive.Item{Name: names.Take(g.Image + notes.Suffix), What: "what was seen at the bench",
			Path: asItIs + notes.Suffix})
	}
	if !byHand {
		base := strings.TrimSuffix(planName, filepath.Ext(planName))
		g.Card = names.Take(base + ".img")
		items = append(items, archive.Item{Name: g.Card, What: "the finished card", Card: job.Card, Pieces: job.Plan.Pieces})
	}
	f.packed(g, items, job)
	return items
}

// packed makes packed files of the image and the card, where that is asked. An image that is
// packed already is copied as it is, and so is a kit: it is compressed, and the card that is
// made of it always lies beside it.
func (f *archiveFlags) packed(g *archive.Guide, items []archive.Item, job *input.Job) {
	isPacked := strings.HasSuffix(job.Src.Path, packed.Suffix)
	_, isKit := job.Src.Source.(*kit.Kit)
	g.Packed = f.pack || isPacked && g.Card == ""
	for i := range items {
		switch items[i].Name {
		case g.Image:
			if items[i].Pack = f.pack && !isPacked && !isKit; items[i].Pack || isPacked {
				items[i].Name += packed.Suffix
			}
		case g.Card:
			if items[i].Pack = f.pack; f.pack {
				items[i].Name += packed.Suffix
			}
		}
	}
}

// pages are the card on paper, with every name: an archive is its owner's.
func (f *archiveFlags) pages(ctx context.Context, u *talk.UI, names *archive.Names,
	job *input.Job) ([]archive.Item, error) {
	var r reportFlags
	if err := r.gatherJob(ctx, u, job, f.plan); err != nil {
		return nil, err
	}
	made := r.page("A card, its drive and their archive", nil)
	html, err := made.HTML()
	if err != nil {
		return nil, err
	}
	return []archive.Item{
		{Name: names.Take("report.html"), What: "a page to print", Text: html},
		{Name: names.Take("report.txt"), What: "the same as text", Text: made.Plain()},
	}, nil
}

// checkFolder compares an archive with its list.
func (f *verifyFlags) checkFolder(ctx context.Context, u *talk.UI, dir string) error {
	progress, finish := u.Bar("checking")
	found, err := archive.Check(ctx, dir, progress)
	finish()
	if err != nil {
		return err
	}
	u.Document(document.NewArchiveCheck(dir, found))
	page.ArchiveChecked(u, dir, found)
	f.report.names = append(f.report.names, dir)
	f.report.title, f.report.answer = "An archive, compared with its list", page.FolderAnswer(found)
	if !found.Whole() {
		return talk.Coded(talk.ExitDifferent, fmt.Errorf("%s is not as it was written: %d damaged, %d missing", dir,
			len(found.Damaged), len(found.Missing)))
	}
	return nil
}
