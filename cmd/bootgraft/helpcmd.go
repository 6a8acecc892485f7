package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/page/topic"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/image/disk/register"
	"bootgraft/safety/notes"
)

const helpHelp = `Tells about a command, about the work at the bench, or what a code means and what
to do.

A code is the short name of a finding or a refusal: fat-dirty, tail-undecided.
Every answer names the codes of what it has to say, and --accept takes them.

Examples:

  bootgraft help plan
  bootgraft help plan options    all that it can be told
  bootgraft help before          what to find out before the drive is swapped
  bootgraft help reading         how a dying drive is read
  bootgraft help cards           what a plan refuses, how a card is written
  bootgraft help unknown         a device with a layout of its own
  bootgraft help no-start        the card does not start
  bootgraft help words           what the pages mean by their words
  bootgraft help findings        all codes, by what they are about
  bootgraft help fat-dirty       one of them, and what to do next`

// leadOfHelp is the annotation of a command whose help is longer than a screen: what
// stands alone unless the options are asked for, by this word.
const (
	leadOfHelp  = "lead"
	optionsWord = "options"
)

// leadFirst shows of a long help only what comes first.
func leadFirst(root *cobra.Command) {
	whole := root.HelpFunc()
	root.SetHelpFunc(func(c *cobra.Command, args []string) {
		if lead := c.Annotations[leadOfHelp]; lead != "" {
			c.Println(lead)
			return
		}
		whole(c, args)
	})
}

// allFindings is the word for the page of all codes.
const allFindings = "findings"

func helpCommand(u *talk.UI) *cobra.Command {
	return &cobra.Command{
		Use:   "help [COMMAND | TOPIC | findings | CODE]",
		Short: "about a command, or what a code means and what to do",
		Long:  helpHelp,
		RunE:  func(c *cobra.Command, args []string) error { return help(u, c.Root(), args) },

		ValidArgsFunction: func(c *cobra.Command, args []string, part string) ([]string, cobra.ShellCompDirective) {
			if len(args) > 0 {
				return nil, cobra.ShellCompDirectiveNoFileComp
			}
			return completions(part, append(commandNames(c.Root()), helpWords()...)), cobra.ShellCompDirectiveNoFileComp
		},
	}
}

func help(u *talk.UI, root *cobra.Command, args []string) error {
	if len(args) == 0 {
		return root.Help()
	}
	if c, rest, err := root.Find(args); err == nil && c != root && len(rest) == 0 {
		c.InitDefaultHelpFlag() // cobra adds it only to the command that it runs
		return c.Help()
	}
	if n := len(args) - 1; n > 0 && args[n] == optionsWord {
		if c, rest, err := root.Find(args[:n]); err == nil && c != root && len(rest) == 0 {
			c.InitDefaultHelpFlag()
			delete(c.Annotations, leadOfHelp)
			return c.Help()
		}
	}
	if len(args) == 1 {
		if text, ok := topicText(args[0]); ok {
			u.Document(document.NewTopic(args[0], topic.Title(args[0]), text))
			u.Answerf("%s", text)
			return nil
		}
		if args[0] == allFindings {
			u.Document(document.NewFindings(register.Groups()))
			page.Codes(u, register.Groups())
			return nil
		}
		if e, ok := register.Of(disk.Code(args[0])); ok {
			u.Document(document.NewFindings([]register.Group{{Title: register.About(e.Code), Entries: []register.Entry{e}}}))
			page.Code(u, e)
			return nil
		}
	}
	return unknownTopic(root, args)
}

// topicText is the page of a topic. The one to print before a drive is swapped ends with
// the blanks of the notes, for those who are at the bench without a computer.
func topicText(name string) (string, bool) {
	text, ok := topic.Text(name)
	if name != "before" || !ok {
		return text, ok
	}
	const cells = 78
	for _, b := range notes.Blanks() {
		text += "   " + b + ": " + strings.Repeat("_", cells-len("   ")-len(": ")-words.Cells(b)) + "\n"
	}
	return text, true
}

// unknownTopic says what can be asked for.
func unknownTopic(root *cobra.Command, args []string) error {
	asked := strings.Join(args, " ")
	text := fmt.Sprintf("there is no help about %q", asked)
	if near := nearest(asked, append(commandNames(root), helpWords()...)); len(near) > 0 {
		text += fmt.Sprintf("; did you mean %s?", strings.Join(near, " or "))
	}
	return talk.Usagef("%s\nHelp can be asked about a command (%s), about the work (%s), about all codes (%s), or "+
		"about one of them",
		text, strings.Join(commandNames(root), ", "), strings.Join(topic.Names(), ", "), allFindings)
}

// commandNames returns the names of the commands below root.
func commandNames(root *cobra.Command) (names []string) {
	for _, c := range root.Commands() {
		if c.IsAvailableCommand() {
			names = append(names, c.Name())
		}
	}
	return names
}

// helpWords are what help knows beside the commands.
func helpWords() []string {
	return append(append(topic.Names(), allFindings), codeWords(nil)...)
}

// codeWords returns the codes that keep wants, as they are typed.
func codeWords(keep func(register.Entry) bool) (out []string) {
	for _, code := range register.Codes(keep) {
		out = append(out, string(code))
	}
	return out
}

// completeAccept completes the codes of --accept, for c and the commands below it.
func completeAccept(c *cobra.Command) {
	if c.Flags().Lookup("accept") != nil {
		complete := func(_ *cobra.Command, _ []string, part string) ([]string, cobra.ShellCompDirective) {
			acceptable := codeWords(func(e register.Entry) bool { return e.Acceptable })
			return completions(part, acceptable), cobra.ShellCompDirectiveNoFileComp
		}
		_ = c.RegisterFlagCompletionFunc("accept", complete) // it fails only where there is no such flag
	}
	for _, sub := range c.Commands() {
		completeAccept(sub)
	}
}

func completions(part string, all []string) []string {
	return slices.DeleteFunc(all, func(w string) bool { return !strings.HasPrefix(w, part) })
}

// nearest returns up to three words that a slip of the keyboard may have been
// meant for: those that begin or end alike, or differ in two letters at most.
func nearest(asked string, all []string) (near []string) {
	for _, w := range all {
		if len(near) == 3 {
			break
		}
		if words.Distance(asked, w) <= 2 || len(asked) > 3 && strings.Contains(w, asked) {
			near = append(near, w)
		}
	}
	return near
}
