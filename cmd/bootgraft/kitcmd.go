package main

import (
	"fmt"

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
	u.Document(document.NewKitShow(path, f.Size(), &k.Manifest, texts, all))
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
	u.Answerf(
		"\nNext:\n\n  bootgraft survey %s\n  bootgraft plan %s --size Ns%s -o card.plan\n",
		words.Shell(path), words.Shell(path), page.EmptyFlags(&k.Manifest))
	return nil
}

type kitAskFlags struct {
	head, tail string
	sectorSize int
}

func kitAskCommand(u *talk.UI) *cobra.Command {
	var f kitAskFlags
	c := &cobra.Command{
		Use:   "ask",
		Short: "a page for somebody whose unit works",
		Long: `Prints a page to send to somebody who has the same device and whose unit works:
what is wanted, how to read it, and what to mind. It needs no program of ours.

  bootgraft kit ask > please.txt
  bootgraft kit ask --head 16MiB --tail 16MiB > please.txt`,
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return f.run(u) },
	}
	fl := c.Flags()
	fl.StringVar(&f.head, "head", "64MiB", "how much of the head is wanted")
	fl.StringVar(&f.tail, "tail", "64MiB", "how much of the tail is wanted")
	fl.IntVar(&f.sectorSize, "sector-size", 512, "logical sector size of the drive in bytes")
	return c
}

func (f *kitAskFlags) run(u *talk.UI) error {
	if err := image.CheckSectorSize(f.sectorSize); err != nil {
		return talk.Usagef("%v", err)
	}
	head, err := input.ParseSize(f.head, f.sectorSize)
	if err != nil {
		return err
	}
	tail, err := input.ParseSize(f.tail, f.sectorSize)
	if err != nil {
		return err
	}
	text := page.Ask(head.Sectors, tail.Sectors, f.sectorSize)
	u.Document(document.NewKitAsk(head.Sectors, tail.Sectors, f.sectorSize, text))
	u.Answerf("%s", text)
	return nil
}
