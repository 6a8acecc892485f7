package join

import (
	"context"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Bounds by hand, no source: a table of blocks of 32 KiB takes 4 bytes for each, 5 MB for
// a disk of 40 GB.
const (
	maxSheet  = 8 << 20  // bytes of one sheet
	maxSheets = 32 << 20 // of all
	mostBlank = 64       // sectors of blank that part no sheet
)

// sheet is a run of sectors that hold something and are no sound.
type sheet struct {
	at   disk.Sector
	data []byte
}

// gather returns the sheets of the places.
func gather(ctx context.Context, src image.Source, sound, places disk.Spans) ([]sheet, error) {
	var out []sheet
	n := src.SectorSize()
	room := maxSheets
	for _, p := range places {
		for _, free := range sound.Outside(p) {
			last := disk.Sector(-1) // that held something
			v := image.Visitor{Sector: func(x disk.Sector, b []byte) {
				if _, blank := image.Blank(b); blank || room < n {
					return
				}
				gap := int(x-last-1) * n
				if last < 0 || x-last-1 > mostBlank || len(out[len(out)-1].data)+gap+n > maxSheet {
					out = append(out, sheet{at: x})
					gap = 0
				}
				s := &out[len(out)-1]
				s.data = append(append(s.data, make([]byte, gap)...), b...)
				room -= gap + n
				last = x
			}, Unknown: func(disk.Span) { last = -1 }}
			if err := image.Runs(ctx, src, free, v); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}
