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

// Set implements pflag.Value. Nothing at all is no value of any flag: it comes
// from a variable of a script that was never set.
func (o *once) Set(text string) error {
	if text == "" {
		return ErrEmpty
	}
	if o.given {
		return errors.New("it is given twice, and it takes one value")
	}
	o.given = true
	return o.Value.Set(text)
}

// ErrEmpty refuses an argument or a value of no characters.
var ErrEmpty = errors.New("it is empty; was a variable meant that is not set?")

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
