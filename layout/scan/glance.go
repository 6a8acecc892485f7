package scan

import (
	"io"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Glance is a disk of which only what is asked for by name is read: tables,
// boot sectors, directories. What nobody names is unknown, so that no survey
// reads on through a whole card to find out whether it is blank.
type Glance struct {
	image.Source
	Failed error // the first read that failed, though whoever asked got by without it
}

// Unknown implements image.Partial.
func (*Glance) Unknown(w disk.Span) disk.Spans { return disk.NewSpans(w) }

// ReadAt implements io.ReaderAt.
func (g *Glance) ReadAt(p []byte, off int64) (int, error) {
	n, err := g.Source.ReadAt(p, off)
	if err != nil && err != io.EOF && g.Failed == nil {
		g.Failed = err
	}
	return n, err
}
