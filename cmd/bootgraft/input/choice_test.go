package input

import (
	"bytes"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/talk"
)

// Every word is taken, all else is wrong usage that names the words, and a shell
// gets them to complete.
func TestChoices(t *testing.T) {
	x := Choices{Flag: "tail", Words: []string{"both", "end", "drop"}}
	for _, word := range x.Words {
		if err := x.Check(word); err != nil {
			t.Error(err)
		}
	}
	for _, bad := range []string{"", "Both", "en", "both,end"} {
		err := x.Check(bad)
		if talk.ExitCode(err) != talk.ExitUsage || !strings.HasSuffix(err.Error(), "is not known: it is both, end or drop") {
			t.Errorf("%q: %v", bad, err)
		}
	}
	x.None = true
	if err := x.Check(""); err != nil {
		t.Error(err)
	}
	if err := (Choices{Flag: "only", Words: []string{"boot"}}).Check("x"); err == nil || err.Error() != "--only x is not known: it is boot" {
		t.Error(err)
	}
	var value string
	var out bytes.Buffer
	c := &cobra.Command{Use: "x", Run: func(*cobra.Command, []string) {}}
	x.Add(c, &value, "", "")
	c.SetOut(&out)
	c.SetArgs([]string{"__complete", "--tail", ""})
	if err := c.Execute(); err != nil || !strings.Contains(out.String(), "both\nend\ndrop\n") {
		t.Errorf("completed is %q, %v", out.String(), err)
	}
}
