package main

import (
	"context"
	"fmt"
	"slices"

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
	"bootgraft/layout/plan/starts"
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
		Args:  input.UnknownCommand,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(kitMakeCommand(u, played), kitShowCommand(u), kitAskCommand(u))
	for _, sub := range c.Commands() {
		sub.Args = input.UsageArgs(sub.Args)
	}
	return c
}

func kitShowCommand(u *talk.UI) *cobra.Command {
	var pages reportFlags
	c := &cobra.Command{
		Use:   "show KIT",
		Short: "prove a kit and say what is in it",
		Long: `Reads a kit, proves every hash in it, and says what it holds: its spans, the
bytes that tell the drive from others, the strings in its sectors, for you to
see whether any one is private, and whether anything is found that stops a card
from starting that is made of this kit alone.

  bootgraft kit show device.kit
  bootgraft kit show device.kit --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return pages.around(u, "What is in a kit", func() error { return kitShow(c.Context(), u, args[0], &pages) })
		},
	}
	pages.Add(c)
	return c
}

func kitShow(ctx context.Context, u *talk.UI, path string, pages *reportFlags) error {
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
	pages.names = append(pages.names, path)
	pages.kept = append(pages.kept, append(slices.Clone(k.Notes), k.Drive)...)
	for _, t := range texts {
		pages.kept = append(pages.kept, t.Text)
	}
	d := document.NewKitShow(path, f.Size(), &k.Manifest, texts, all)
	start, refused, err := kitStarts(ctx, k)
	if err != nil {
		return err
	}
	d.Says(start, refused)
	u.Document(d)
	showKit(u, path, f.Size(), k, texts, all, start, refused)
	pages.answer = page.KitAnswer(&k.Manifest, texts, all, start, refused)
	if !k.FactsOnly {
		pages.answer.Next = []string{kitPlanLine(path, &k.Manifest)}
	}
	return nil
}

// showKit says what is in a kit.
func showKit(u *talk.UI, path string, bytes int64, k *kit.Kit, texts []kit.Text, all int, start *starts.Report,
	refused []disk.Finding) {
	next := func(u *talk.UI) { nextOfKit(u, path, &k.Manifest) }
	u.Page(func(u *talk.UI) {
		u.Answerf("%s: %s, whole and as it was made\n\n", path, disk.BytesText(bytes))
		page.Manifest(u, &k.Manifest)
		page.Texts(u, texts, all)
		page.KitStarts(u, start, refused)
		if k.Manifest.Rules == nil && !k.FactsOnly {
			page.WayOut(u)
		}
		next(u)
	}, func(u *talk.UI) {
		page.KitBrief(path, &k.Manifest, all, func(u *talk.UI) {
			page.KitStarts(u, start, refused)
			next(u)
		}).Show(u)
	})
}

// kitPlanLine plans a card of a kit.
func kitPlanLine(path string, m *kit.Manifest) string {
	return fmt.Sprintf("bootgraft plan %s --size Ns%s -o card.plan", words.Shell(path), page.EmptyFlags(m))
}

// nextOfKit is what can be made of a kit.
func nextOfKit(u *talk.UI, path string, m *kit.Manifest) {
	if m.FactsOnly {
		u.Answerf("\nThis kit holds facts alone; no card can be made from it.\n")
		return
	}
	u.Next("Next:", "bootgraft survey "+words.Shell(path), kitPlanLine(path, m))
}
