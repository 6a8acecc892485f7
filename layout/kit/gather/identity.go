package gather

import (
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/kit"
)

// Identity returns the bytes of known sectors that tell a surveyed drive from others of
// its model, or that name it, as far as the formats known here say. On a layout that is
// not known here there are none, and that proves nothing.
func Identity(src image.Source, s *layout.Map, in disk.Spans) ([]kit.Mark, error) {
	m := &marks{Src: src}
	for _, span := range in {
		for _, known := range image.Unknown(src, span).Outside(span) {
			m.Spans = append(m.Spans, kit.Span{Span: known, State: kit.Stored})
		}
	}
	if err := m.find(s); err != nil {
		return nil, err
	}
	out := m.Identity
	for _, p := range m.Patches {
		out = append(out, kit.Mark{Sector: p.Sector, Offset: p.Offset, Count: len(p.Bytes), What: p.What})
	}
	return out, nil
}
