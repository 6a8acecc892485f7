package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bootgraft/cmd/bootgraft/page/topic"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/disk/register"
	"bootgraft/safety/notes"
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
		for _, name := range slices.Concat([]string{c.Name(), allFindings}, topic.Names(), c.Aliases) {
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

// TestTopics: every page fits a terminal and a sheet of paper, no command has the name
// of one, and every command in it is one that the program would run: the verb is there,
// and takes these flags and so many arguments.
func TestTopics(t *testing.T) {
	for _, name := range topic.Names() {
		text := helped(t, name)
		lines := strings.Split(text, "\n")
		if len(lines) > 70 || topic.Title(name) != lines[0] {
			t.Errorf("%s has %d lines, and begins %q", name, len(lines), lines[0])
		}
		for i, line := range lines {
			if len(line) > 80 {
				t.Errorf("%s, line %d has %d columns: %s", name, i+1, len(line), line)
			}
			_, typed, found := strings.Cut(line, "     bootgraft ")
			if !found {
				if _, typed, found = strings.Cut(line, "     sudo bootgraft "); !found {
					continue
				}
			}
			typed, _, _ = strings.Cut(typed, "   ") // what it does stands behind
			root := rootCommand(&talk.UI{}, nil)
			c, rest, err := root.Find(strings.Fields(typed))
			if err != nil || c == root {
				t.Errorf("%s, line %d: no command: %s", name, i+1, typed)
				continue
			}
			if err := c.ParseFlags(rest); err != nil {
				t.Errorf("%s, line %d: %s: %v", name, i+1, typed, err)
			} else if err := c.ValidateArgs(c.Flags().Args()); err != nil {
				t.Errorf("%s, line %d: %s: %v", name, i+1, typed, err)
			}
		}
		for _, c := range rootCommand(&talk.UI{}, nil).Commands() {
			if c.Name() == name {
				t.Errorf("%s is a command and a page", name)
			}
		}
	}
}

// TestBlanksAreOneList: what the page before the swap lets write by hand is what the form
// beside the image asks, in the same words and order, and each of it is spoken of before.
func TestBlanksAreOneList(t *testing.T) {
	page := helped(t, "before")
	before, byHand, _ := strings.Cut(page, "5. To fill in by hand")
	path, made, err := notes.Make(filepath.Join(t.TempDir(), "old.img"))
	if err != nil || !made {
		t.Fatal(err)
	}
	form, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var asked, blank []string
	for _, m := range regexp.MustCompile(`(?m)^([A-Z][^:\n]*):$`).FindAllStringSubmatch(string(form), -1) {
		asked = append(asked, m[1])
	}
	for _, m := range regexp.MustCompile(`(?m)^   ([A-Z][^:\n]*): _+$`).FindAllStringSubmatch(byHand, -1) {
		blank = append(blank, m[1])
	}
	if len(asked) < 10 || !slices.Equal(asked, blank) {
		t.Errorf("the form asks %q, the page %q", asked, blank)
	}
	for _, what := range asked[1:] { // the device is what all of it is about
		noun, _, _ := strings.Cut(strings.ToLower(what), " ")
		if noun = strings.Trim(noun, ",s"); !strings.Contains(strings.ToLower(before), noun) {
			t.Errorf("%q is asked, and the page does not speak of it", what)
		}
	}
}

// TestWordsAreExplained: what a first-time reader of the pages meets and cannot know is on
// the page of words, and every reason of a plan has a sentence of its own on the pages.
func TestWordsAreExplained(t *testing.T) {
	text := helped(t, "words")
	for _, word := range []string{
		"head, tail", "boot area", "gap", "entry", "missing", "unread", "skipped", "unstable", "safe, lost", "capture", "kit", "made new",
		"not touched", "left behind", "excess", "wall", "spare", "check number", "rehearsal", "receipt", "fenced", "proved", "undecided", "foretold",
		"candidate", "try ", "finding", "refusal", "lowest first", "SHA-256", "C/H/S", "blank", "notes",
	} {
		if !strings.Contains(text, "   "+word) && !strings.Contains(text, " "+word) {
			t.Errorf("%q is not explained", word)
		}
	}
}

// TestWhatShellsComplete: the words that a flag takes are offered, and files for those
// that name one. What is asked is the hidden verb by which shells ask (cobra's).
func TestWhatShellsComplete(t *testing.T) {
	for _, c := range []struct {
		typed []string
		want  []string
	}{
		{[]string{"plan", "old.img", "--tail", "s"}, []string{"same-place", ":4"}},
		{[]string{"plan", "old.img", "--volume", "1:s"}, []string{"1:shrink", ":4"}},
		{[]string{"plan", "old.img", "--accept", "fat-di"}, []string{"fat-directory-loop", "fat-directory-shared",
			"fat-directory-unreadable", "fat-dirty", ":4"}},
		{[]string{"plan", "old.img", "--rules", ""}, []string{"rules", ":8"}},
	} {
		var out bytes.Buffer
		u := talk.UI{Out: &out, Err: io.Discard}
		if err := execute(t.Context(), &u, nil, append([]string{"__completeNoDesc"}, c.typed...)); err != nil {
			t.Fatal(err)
		}
		// A shell drops the words that do not begin with what was typed; the last one is for it.
		begun := c.typed[len(c.typed)-1]
		got := slices.DeleteFunc(strings.Fields(out.String()), func(w string) bool {
			return !strings.HasPrefix(w, begun) && !strings.HasPrefix(w, ":")
		})
		if !slices.Equal(got, c.want) {
			t.Errorf("%v is completed to %v, want %v", c.typed, got, c.want)
		}
	}
}
