package main

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/disk/register"
)

// helped returns what help says.
func helped(t *testing.T, args ...string) string {
	t.Helper()
	var out bytes.Buffer
	u := &talk.UI{Out: &out, Err: &out}
	if err := help(u, rootCommand(u, nil), args); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// TestNoCodeIsAVerb: what is typed after help means one thing.
func TestNoCodeIsAVerb(t *testing.T) {
	var check func(c *cobra.Command)
	check = func(c *cobra.Command) {
		for _, name := range append([]string{c.Name(), allFindings}, c.Aliases...) {
			if _, is := register.Of(disk.Code(name)); is {
				t.Errorf("%q is a command or a page, and a code", name)
			}
		}
		for _, sub := range c.Commands() {
			check(sub)
		}
	}
	check(rootCommand(&talk.UI{}, nil))
}

// TestHelpTellsEveryCode: no code is missing on the page of all, and each has a
// page of its own with what to do. Folded lines are put together again.
func TestHelpTellsEveryCode(t *testing.T) {
	flat := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	all := helped(t, allFindings)
	for i, line := range strings.Split(all, "\n") {
		if len(line) > 80 {
			t.Errorf("line %d has %d columns: %s", i+1, len(line), line)
		}
	}
	all = flat(all)
	for _, code := range register.Codes(nil) {
		e, _ := register.Of(code)
		if n := strings.Count(all, " "+string(code)+": a "); n != 1 || !strings.Contains(all, e.Means) {
			t.Errorf("%s stands %d times on the page of all codes, or not with what it means", code, n)
		}
		own := flat(helped(t, string(code)))
		if !strings.HasPrefix(own, string(code)+": a ") || !strings.Contains(own, e.Means) || !strings.Contains(own, e.Do) ||
			strings.Contains(own, "--accept "+string(code)+", with") != e.Acceptable {
			t.Errorf("the page of %s: %s", code, own)
		}
	}
}

// TestAcceptCompletesWhereItIsTaken: every command that takes --accept completes
// the codes that can be accepted, and no other code.
func TestAcceptCompletesWhereItIsTaken(t *testing.T) {
	root, found := rootCommand(&talk.UI{}, nil), 0
	var check func(c *cobra.Command)
	check = func(c *cobra.Command) {
		c.Flags().VisitAll(func(f *pflag.Flag) {
			if f.Name != "accept" {
				return
			}
			found++
			complete, ok := c.GetFlagCompletionFunc(f.Name)
			if !ok {
				t.Errorf("%s does not complete --accept", c.CommandPath())
				return
			}
			words, _ := complete(c, nil, "f")
			for _, code := range []disk.Code{disk.FATDirty, disk.FillOfAnother} {
				if !slices.Contains(words, string(code)) {
					t.Errorf("%s --accept f is not completed to %s, only to %v", c.CommandPath(), code, words)
				}
			}
			if slices.Contains(words, string(disk.FreeSkipped)) || slices.Contains(words, string(disk.OddBytes)) {
				t.Errorf("%s --accept f is completed to %v", c.CommandPath(), words)
			}
		})
		for _, sub := range c.Commands() {
			check(sub)
		}
	}
	if check(root); found < 5 {
		t.Errorf("only %d commands with --accept were found", found)
	}
}
