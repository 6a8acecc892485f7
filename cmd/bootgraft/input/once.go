package input

import (
	"errors"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// once is a flag with one value. Of two values that were given one would be lost
// in silence, and nobody can know which one was meant.
type once struct {
	pflag.Value
	given bool
}

// Set implements pflag.Value.
func (o *once) Set(text string) error {
	if o.given {
		return errors.New("it is given twice, and it takes one value")
	}
	o.given = true
	return o.Value.Set(text)
}

// GiveOnce refuses a second value for every flag of a command, and of those below
// it, that does not gather values.
func GiveOnce(c *cobra.Command) {
	wrap := func(f *pflag.Flag) {
		_, gathers := f.Value.(pflag.SliceValue)
		_, done := f.Value.(*once)
		if !gathers && !done && f.Value.Type() != "bool" {
			f.Value = &once{Value: f.Value}
		}
	}
	c.Flags().VisitAll(wrap)
	c.PersistentFlags().VisitAll(wrap)
	for _, sub := range c.Commands() {
		GiveOnce(sub)
	}
}
