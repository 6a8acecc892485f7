package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/layout/plan/starts"
)

const startsHelp = `Says of a planned card whether anything is found that stops it from starting.

Boot code often knows what it loads by its sector: a number in sector 0, in a boot
sector, in the gap. Each such number that is found is followed on the planned card.
If what it names there is no longer what it named on the original, the card will
not start that way.

For each way of starting there is one of three answers:

  nothing found   every link that was found leads where it led
  cannot know     it depends on something that nobody knows; this is said
  will not start  a link is broken; it is named

Nothing found is no promise: a machine may know a place by other means. The exit
code is 3 if a way will not start, else 0.

Examples:

  bootgraft starts card.plan
  bootgraft starts card.plan --json
  bootgraft serve card.plan          start a virtual machine from the card`

type startsFlags struct {
	source input.PlanSourceFlags
	report reportFlags
}

func startsCommand(u *talk.UI) *cobra.Command {
	var f startsFlags
	c := &cobra.Command{
		Use:   "starts PLAN",
		Short: "say what stops a planned card from starting",
		Long:  startsHelp,
		Args:  cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return f.report.around(u, "Will the planned card start?", func() error { return f.run(c.Context(), u, args[0]) })
		},
	}
	f.source.Add(c)
	f.report.Add(c)
	f.source.Bar = u.Bar
	return c
}

func (f *startsFlags) run(ctx context.Context, u *talk.UI, path string) error {
	job, err := input.OpenJob(path, f.source)
	if err != nil {
		return err
	}
	defer job.Close()
	job.Src.SayDamage(u)
	f.report.names = append(f.report.names, path)
	if err := f.report.takeJob(ctx, u, job, path); err != nil {
		return err
	}
	r, err := job.Starts(ctx, u)
	if err != nil {
		return err
	}
	u.Document(document.NewStarts(r))
	f.report.answer = page.StartsAnswer(r)
	f.report.answer.Next = []string{"bootgraft serve " + words.Shell(path) + job.Words}
	page.Starts(u, r)
	if r.Answer == starts.WillNot {
		return talk.Coded(talk.ExitRefused, errors.New("the planned card will not start: a link of its boot code is broken"))
	}
	return nil
}
