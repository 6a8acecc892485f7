package scan

import (
	"bytes"
	"context"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// maxFound bounds what FindSector remembers: by hand, no source; it wants the last
// ones, and what is there more often is a filling.
const maxFound = 64

// finder remembers the last sectors that hold the wanted bytes.
type finder struct {
	want  []byte
	found []disk.Sector
}

func (f *finder) hole(disk.Span)    {}
func (f *finder) unknown(disk.Span) {}

func (f *finder) sector(x disk.Sector, b []byte) {
	if !bytes.Equal(b, f.want) {
		return
	}
	if len(f.found) == maxFound {
		f.found = append(f.found[:0], f.found[1:]...)
	}
	f.found = append(f.found, x)
}

// FindSector returns the last 64 sectors of a run, in order, that hold exactly
// the given bytes. These are not all zeros: holes are not read.
func FindSector(ctx context.Context, src image.Source, span disk.Span, want []byte) ([]disk.Sector, error) {
	f := &finder{want: want}
	err := pass(ctx, src, span, f, nil)
	return f.found, err
}
