package safety

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/image/disk"
)

// Refusal says that nothing was written, and why. Code is stable from release
// to release; Why and Do are for people.
type Refusal struct {
	Code disk.Code // one of the codes below
	Path string    // what was to be written or verified
	Why  string    // what stands against it
	Do   string    // what to do instead
}

// Refusals is every reason that speaks against the same thing.
type Refusals []*Refusal

func (r Refusals) Error() string {
	lines := make([]string, len(r))
	for i, one := range r {
		lines[i] = one.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap lets errors.As find a *Refusal.
func (r Refusals) Unwrap() []error {
	out := make([]error, len(r))
	for i, one := range r {
		out[i] = one
	}
	return out
}

// Has tells whether one of the reasons has this code.
func (r Refusals) Has(code disk.Code) bool {
	return slices.ContainsFunc(r, func(one *Refusal) bool { return one.Code == code })
}

func (r *Refusal) Error() string {
	return fmt.Sprintf("refusing to use %s: %s; %s", r.Path, r.Why, r.Do)
}
