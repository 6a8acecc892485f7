package sound

import "bootgraft/image"

// In returns the run with those of its sectors that src does not know. It is for who
// makes a run of others, or of a wish.
func (r Run) In(src image.Source) Run {
	r.setMissing(src)
	return r
}
