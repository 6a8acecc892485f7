package fit

import (
	"fmt"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/table/gpt"
	"bootgraft/layout/table/mbr"
	"bootgraft/layout/volume"
)

// opened are the structures of a source that a plan may change. A Map only
// describes them: they are read once for all tries of a plan.
type opened struct {
	mbr       *mbr.Table               // nil if sector 0 is none
	gpt       *gpt.Table               // nil if no copy can be read
	resizable map[int]volume.Resizable // volumes whose size can be changed, by index of the entry, 0 = bare
}

func open(src image.Source, m *layout.Map) (opened, error) {
	out := opened{resizable: map[int]volume.Resizable{}}
	var err error
	if m.Readable("mbr") {
		if out.mbr, err = mbr.Read(src); err != nil {
			return out, fmt.Errorf("reading the MBR again: %w", err)
		}
	}
	if m.Readable("gpt") {
		if out.gpt, err = gpt.Read(src); err != nil {
			return out, fmt.Errorf("reading the GUID partition table again: %w", err)
		}
	}
	for _, l := range m.Volumes {
		if !l.Listed {
			continue
		}
		v, err := scan.OpenResizable(src, m, l.Index)
		if err != nil {
			return out, err
		}
		if v != nil {
			out.resizable[l.Index] = v
		}
	}
	return out, nil
}
