package input

import (
	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bootgraft/cmd/bootgraft/words"
)

// Again writes the command that was typed, ready to paste, with the arguments args. Pages
// are left out: they were written by then, and none is replaced.
func Again(c *cobra.Command, args ...string) string { return AgainWith(c, "", "", args...) }

// AgainWith is Again with another value of one flag, which stands as it is: a word such as
// FOLDER is for a person to fill in.
func AgainWith(c *cobra.Command, flag, value string, args ...string) string {
	line := c.CommandPath()
	for _, a := range args {
		line += " " + words.Argument(a)
	}
	c.Flags().Visit(func(fl *pflag.Flag) {
		if fl.Name == "report" || fl.Name == "redact" {
			return
		}
		if flag != "" && fl.Name == flag {
			line += " --" + flag + " " + value
			return
		}
		values := []string{fl.Value.String()}
		if list, ok := fl.Value.(pflag.SliceValue); ok {
			values = list.GetSlice()
		}
		for _, v := range values {
			if fl.NoOptDefVal != "" && v == fl.NoOptDefVal {
				line += " --" + fl.Name
			} else {
				line += " --" + fl.Name + " " + words.Verbatim(v)
			}
		}
	})
	return line
}
