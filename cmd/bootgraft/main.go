// Command bootgraft moves a device from a dying hard disk to a flash card of
// another size, boot areas included.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"runtime"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/capture"
)

// The main thread does nothing but wait, see main.
func init() { runtime.LockOSThread() }

// main works in another thread than the first one. The kernel hands Ctrl-C to
// the first thread; if that hung in a read that a dying drive never answers,
// nobody would hear it.
func main() {
	code := make(chan int)
	go func() { code <- run(os.Args[1:]) }()
	os.Exit(<-code)
}

// run runs one command and returns the exit code.
func run(args []string) int {
	// a pipe that nobody reads is an answer that cannot be written, and no reason to die with a card half written
	signal.Ignore(syscall.SIGPIPE)
	words.SetWidth(talk.LineWidth(os.Stdout))
	words.SetRights(talk.Rights())
	u := talk.New(args)
	ctx, stop := talk.ObeySignals(context.Background(), u, os.Exit)
	defer stop()
	err := u.Said(execute(ctx, u, nil, args))
	if err != nil && !errors.Is(err, talk.ErrSaid) {
		cells := 0
		if u.Bars { // a terminal
			cells = talk.LineWidth(os.Stderr)
		}
		fmt.Fprint(u.Err, talk.ErrorLine(err, cells))
	}
	return talk.ExitCode(err)
}

// execute runs one command, with the drives that the demonstration plays.
func execute(ctx context.Context, u *talk.UI, played map[string]capture.Drive, args []string) error {
	root := rootCommand(u, played)
	root.SetArgs(args)
	root.SetOut(u.Out)
	root.SetErr(u.Err)
	return root.ExecuteContext(ctx)
}

const rootHelp = `bootgraft moves a device from a dying hard disk to a flash card of another
size: it reads the drive, says who owns every sector, plans the card, writes it
and proves the copy.

A first look at everything, on an invented drive:

  bootgraft demo

The usual way, with image files:

  bootgraft survey old.img
  bootgraft plan old.img --size 31116288s -o card.plan
  bootgraft files --plan card.plan
  bootgraft write card.plan card.img
  bootgraft verify card.plan card.img`

// special are the verbs that some builds have beside the others.
var special []func(*talk.UI) *cobra.Command

func rootCommand(u *talk.UI, played map[string]capture.Drive) *cobra.Command {
	version := false
	root := &cobra.Command{
		Use:           "bootgraft",
		Short:         "move a device from a dying hard disk to a flash card of another size",
		Long:          rootHelp,
		Args:          cobra.NoArgs,
		SilenceUsage:  true,
		SilenceErrors: true,

		SuggestionsMinimumDistance: 2,

		RunE: func(c *cobra.Command, _ []string) error {
			if version {
				return versionCommand(u).RunE(c, nil)
			}
			return c.Help()
		},
	}
	root.PersistentFlags().BoolVar(&u.JSON, "json", false, "one JSON object on standard output")
	root.PersistentFlags().BoolVar(&u.Quiet, "quiet", false, "only the answer: no conversation, no bars")
	root.PersistentFlags().BoolVar(&u.All, "all", false,
		"the whole page, also where a terminal shows the first screen of it")
	root.Flags().BoolVar(&version, "version", false, "which version this is")
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return talk.Usagef("%v\nTry: %s --help", err, c.CommandPath())
	})
	root.AddCommand(surveyCommand(u), captureCommand(u, played), planCommand(u),
		writeCommand(u), verifyCommand(u), undoCommand(u), cardCommand(u), filesCommand(u), compareCommand(u),
		kitCommand(u, played), serveCommand(u), startsCommand(u), noteCommand(u), archiveCommand(u), demoCommand(u),
		versionCommand(u))
	for _, verb := range special {
		root.AddCommand(verb(u))
	}
	root.SetHelpCommand(helpCommand(u))
	completeAccept(root)
	leadFirst(root)
	for _, c := range root.Commands() {
		c.Args = input.UsageArgs(c.Args)
	}
	root.Args = input.UnknownCommand
	input.GiveOnce(root)
	root.SetUsageTemplate(strings.ReplaceAll(root.UsageTemplate(), ".FlagUsages ",
		fmt.Sprintf(".FlagUsagesWrapped %d ", talk.LineWidth(os.Stdout))))
	return root
}
