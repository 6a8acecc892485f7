package atari

import (
	"bootgraft/image"
	"bootgraft/image/disk"
)

// chain follows the root sectors from the first of an XGM entry. In each, the
// first entry in use is a volume, counted from that root sector; the one after
// it, if in use, is the link to the next, counted from the first root sector.
func (t *Table) chain(src image.Source, first disk.Sector) error {
	seen := map[disk.Sector]bool{}
	from, at := disk.Sector(0), first
	for {
		switch {
		case seen[at]:
			t.Damagedf(disk.TableChainLoop, from, "the root sector %d leads back to sector %d, which is in the chain already; "+
				"the chain is cut there", from, at)
			return nil
		case len(seen) == maxChain:
			t.Damagedf(disk.TableTooLong, from, "the chain of root sectors is longer than %d; it is cut there", maxChain)
			return nil
		case at >= image.Sectors(src):
			t.Damagedf(disk.TableEntryMissing, from, "the root sector %d leads to sector %d, past the end of the disk; the "+
				"entries after it are lost", from, at)
			return nil
		}
		seen[at] = true
		b, err := image.ReadSector(src, at)
		if err != nil {
			return err
		}
		volume, link := pair(slots(b, entriesAt, primaries))
		if volume == nil {
			t.Damagedf(disk.TableEntryMissing, at,
				"sector %d is in the chain of root sectors, but has no entry of a volume (byte %d); "+
					"the entries after it are lost",
				at, entriesAt)
			return nil
		}
		t.Own = t.Own.Add(disk.Span{Start: at, Count: 1})
		t.add(*volume, t.nextLogical(), at, at)
		if link == nil {
			return nil
		}
		if link.id != "XGM" {
			t.Damagedf(disk.TableEntryMissing, at,
				"the second entry in sector %d (byte %d) is of type %q, not a link; the entries after it are lost",
				at, link.at, link.id)
			return nil
		}
		from, at = at, first+disk.Sector(link.start)
	}
}

// pair returns the volume of a root sector in a chain and the link after it,
// nil where there is none.
func pair(in []slot) (volume, link *slot) {
	for i := range in[:primaries-1] {
		if !in[i].used() {
			continue
		}
		if in[i].id == "XGM" || !in[i].known() {
			return nil, nil
		}
		if in[i+1].used() {
			link = &in[i+1]
		}
		return &in[i], link
	}
	return nil, nil
}

func (t *Table) nextLogical() int {
	n := primaries + 1
	for _, e := range t.Entries {
		n = max(n, e.Index+1)
	}
	return n
}
