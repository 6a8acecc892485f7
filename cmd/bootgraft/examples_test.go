package main

import (
	"regexp"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/talk"
)

// exampleLine is a line of the help of a verb that is typed: also one that goes on below, and
// without what it does, which stands behind it.
var exampleLine = regexp.MustCompile(`(?m)^ {2,4}(?:sudo )?bootgraft ((?:[^\n\\]|\\\n|\\[^\n])*)$`)

// examplesOf are the lines to type of the help of a command, and of what stands first of a long one.
func examplesOf(c *cobra.Command) (out [][]string) {
	for _, m := range exampleLine.FindAllStringSubmatch(c.Long+"\n"+c.Annotations[leadOfHelp], -1) {
		line := regexp.MustCompile(` *\\\n *`).ReplaceAllString(m[1], " ")
		typed, _, _ := strings.Cut(line, "  ") // what it does stands behind
		typed, _, _ = strings.Cut(typed, " > ")
		args := regexp.MustCompile(`"[^"]*"|\S+`).FindAllString(typed, -1)
		for i := range args {
			args[i] = strings.Trim(args[i], `"`)
		}
		out = append(out, args)
	}
	return out
}

// eachCommand calls visit for a command and all below it.
func eachCommand(c *cobra.Command, visit func(*cobra.Command)) {
	visit(c)
	for _, sub := range c.Commands() {
		eachCommand(sub, visit)
	}
}

// TestExamplesAreTaken: every line that the help of a verb tells to type is one that the program
// would run: the verb is there, and takes these flags and so many arguments.
func TestExamplesAreTaken(t *testing.T) {
	total := 0
	eachCommand(rootCommand(&talk.UI{}, nil), func(c *cobra.Command) {
		examples := examplesOf(c)
		if total += len(examples); len(examples) == 0 && c.Long != "" {
			t.Errorf("the help of %s shows no line to type", c.CommandPath())
		}
		if n := strings.Count(c.Long, "\n  bootgraft ") + strings.Count(c.Long, "\n  sudo bootgraft "); len(examples) < n {
			t.Errorf("the help of %s has %d lines to type, and %d of them were read", c.CommandPath(), n, len(examples))
		}
		for _, args := range examples {
			root := rootCommand(&talk.UI{}, nil)
			verb, rest, err := root.Find(args)
			if err != nil || verb == root {
				t.Errorf("the help of %s: no command: %q", c.CommandPath(), args)
			} else if err := verb.ParseFlags(rest); err != nil {
				t.Errorf("the help of %s: %q: %v", c.CommandPath(), args, err)
			} else if err := verb.ValidateArgs(verb.Flags().Args()); err != nil {
				t.Errorf("the help of %s: %q: %v", c.CommandPath(), args, err)
			}
		}
	})
	if total < 80 {
		t.Errorf("only %d lines to type were found", total)
	}
}
