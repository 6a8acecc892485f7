package fit

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/link"
	"bootgraft/layout/table/gpt"
)

// DrawIDs takes new identifiers out of random for a disk: for its MBR, and for
// its GPT and every entry of that, if it has one.
func DrawIDs(s *layout.Map, random io.Reader) (*NewIDs, error) {
	var id [4]byte
	if _, err := io.ReadFull(random, id[:]); err != nil {
		return nil, err
	}
	ids := &NewIDs{DiskID: binary.LittleEndian.Uint32(id[:])}
	if !s.Readable("gpt") {
		return ids, nil
	}
	indexes := make([]int, len(s.Entries))
	for i, e := range s.Entries {
		indexes[i] = e.Index
	}
	var err error
	ids.GPT, err = gpt.DrawIDs(indexes, random)
	return ids, err
}

// LookOutside takes over what boot code names by its place, and what a look into the
// sectors outside the volumes finds, once for all cards that are planned with w. A card
// of the same size is the source sector by sector, and needs no such look.
func (w *Wishes) LookOutside(ctx context.Context, src image.Source, s *layout.Map) (err error) {
	if w.Links, err = link.Find(ctx, src, s); err != nil {
		return fmt.Errorf("looking for links in boot code: %w", err)
	}
	if w.Target.Sectors == s.Sectors {
		return nil
	}
	o, err := scan.LookOutside(ctx, src, s)
	if err != nil {
		return err
	}
	w.Invariants, w.Fields, w.Notes = o.Invariants(), o.Fields, o.Findings
	return nil
}
