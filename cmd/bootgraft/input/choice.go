package input

import (
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/talk"
)

// Choices is a flag whose value is one of a few words.
type Choices struct {
	Flag  string
	Words []string
	None  bool // the flag may be left empty, for none of them
}

// Add adds the flag to a command. A shell that completes lines offers the words.
func (x Choices) Add(c *cobra.Command, to *string, value, usage string) {
	c.Flags().StringVar(to, x.Flag, value, usage)
	completes(c, x.Flag, x.Words...)
}

// completes makes a shell that completes lines offer words for a flag.
func completes(c *cobra.Command, flag string, words ...string) {
	// It fails for a flag that does not exist, and for one that was registered before.
	if err := c.RegisterFlagCompletionFunc(flag, cobra.FixedCompletions(words,
		cobra.ShellCompDirectiveNoFileComp)); err != nil {
		panic(err)
	}
}

// Suffix makes a shell that completes lines offer the files of one suffix for a flag.
func Suffix(c *cobra.Command, flag, suffix string) {
	if err := c.MarkFlagFilename(flag, suffix); err != nil { // there is no such flag
		panic(err)
	}
}

// Check refuses a value that is none of the words. It is asked by the command
// and not while the line is read, so that the refusal names all the words and
// comes in the order in which the command looks at its flags.
func (x Choices) Check(value string) error {
	if value == "" && x.None || slices.Contains(x.Words, value) {
		return nil
	}
	last := len(x.Words) - 1
	known := x.Words[last]
	if last > 0 {
		known = strings.Join(x.Words[:last], ", ") + " or " + known
	}
	return talk.Usagef("--%s %s is not known: it is %s", x.Flag, value, known)
}
