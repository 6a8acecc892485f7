//go:build manual

package main

import (
	"fmt"
	"path/filepath"
	"regexp"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/safety/newfile"
)

// The verb that writes the manual pages and what shells complete is built for a
// release alone: the library that sets manual pages would be linked into every
// program otherwise.
func init() {
	special = append(special, manualCommand)
}

func manualCommand(*talk.UI) *cobra.Command {
	return &cobra.Command{
		Use:    "manual DIR",
		Short:  "write the manual pages and the completions of shells into a folder",
		Hidden: true,
		Args:   cobra.ExactArgs(1),
		RunE:   func(c *cobra.Command, args []string) error { return writeManual(c.Root(), args[0]) },
	}
}

// writeManual writes into dir: man/NAME.1, dated SOURCE_DATE_EPOCH if that is set,
// and bash, zsh and fish.
func writeManual(root *cobra.Command, dir string) error {
	man := filepath.Join(dir, "man")
	if err := newfile.MakeFolders(man); err != nil {
		return err
	}
	root.DisableAutoGenTag = true
	keepColumns(root)
	header := &doc.GenManHeader{Section: "1", Source: build.Program(), Manual: "User commands"}
	if err := doc.GenManTree(root, header, man); err != nil {
		return fmt.Errorf("writing the manual pages: %w", err)
	}
	for name, write := range map[string]func(string) error{
		"bash": func(path string) error { return root.GenBashCompletionFileV2(path, true) },
		"zsh":  root.GenZshCompletionFile,
		"fish": func(path string) error { return root.GenFishCompletionFile(path, true) },
	} {
		if err := write(filepath.Join(dir, name)); err != nil {
			return fmt.Errorf("writing what %s completes: %w", name, err)
		}
	}
	return nil
}

// keepColumns marks what the help sets in columns: four more spaces at the beginning
// of a line are Markdown's mark of it, and the manual is set by way of Markdown.
func keepColumns(c *cobra.Command) {
	c.Long = regexp.MustCompile(`(?m)^ {2}`).ReplaceAllString(c.Long, "      ")
	for _, sub := range c.Commands() {
		keepColumns(sub)
	}
}
