package input

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/talk"
)

// UsageArgs makes a wrong number of arguments, or one that is empty, end as wrong
// usage.
func UsageArgs(check cobra.PositionalArgs) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if i := slices.Index(args, ""); i >= 0 {
			return talk.Usagef("argument %d: %w\nTry: %s --help", i+1, ErrEmpty, c.CommandPath())
		}
		if err := check(c, args); talk.ExitCode(err) == talk.ExitUsage {
			return err
		} else if err != nil {
			return talk.Usagef("%v\nTry: %s --help", err, c.CommandPath())
		}
		return nil
	}
}

// UnknownCommand says which command may have been meant.
func UnknownCommand(c *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	text := fmt.Sprintf("there is no command %q", args[0])
	if near := c.SuggestionsFor(args[0]); len(near) > 0 {
		text += fmt.Sprintf("; did you mean %s?", strings.Join(near, " or "))
	}
	return talk.Usagef("%s\nTry: %s --help", text, c.CommandPath())
}
