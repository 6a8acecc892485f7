package fit

import (
	"context"
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// given is what a card is planned from. No stage changes it.
type given struct {
	ctx  context.Context
	src  image.Source
	s    *layout.Map
	open opened
	w    Wishes

	linked *linked
	judged *rung // the try that the card is to be; nil: it is chosen from the ladder
	grants bool  // whatever is asked is accepted
}

// with returns the same for other wishes, planned by one try if there is one.
// grants accepts whatever is asked.
func (p *given) with(w Wishes, by *rung, grants bool) *given {
	other := *p
	other.w, other.judged, other.grants = w, by, grants
	return &other
}

// accepts tells whether the owner has accepted a code.
func (p *given) accepts(code disk.Code) bool { return slices.Contains(p.w.Accept, code) }

// resizing tells whether the card has another size than the source.
func (p *given) resizing() bool { return p.w.Target.Sectors != p.s.Sectors }

// gptInForce tells whether a GUID partition table has to be rendered.
func (p *given) gptInForce() bool { return p.s.Table == "gpt" && p.open.gpt != nil }

// lets tells whether what is asked by a code goes on.
func (p *given) lets(code disk.Code) bool { return p.grants || p.accepts(code) }

// backup returns how many sectors the backup of a GUID partition table takes at the
// very end of a card.
func (p *given) backup() disk.Sector {
	if !p.gptInForce() {
		return 0
	}
	return p.open.gpt.BackupSectors()
}

// backupPlace returns the sectors of a backup table that is made new on a card of
// another size.
func (p *given) backupPlace() disk.Spans {
	if !p.gptInForce() {
		return nil
	}
	return p.open.gpt.ShownBackup()
}

// isBackup tells whether a region holds such a table.
func (p *given) isBackup(r layout.Region) bool {
	return r.Role == layout.RoleTable && len(p.backupPlace().Within(r.Span)) > 0
}

// tableIsRendered tells whether entries can become shorter: only the tables
// that this program renders can be changed.
func (p *given) tableIsRendered() bool { return p.s.Table == "mbr" || p.gptInForce() }

// staleCut tells whether the owner lets go of a stale table after the entries.
func (p *given) staleCut(r layout.Region) bool {
	return p.accepts(disk.StaleTableCut) && p.isStale(r)
}

// isStale tells whether a region holds nothing but a stale table.
func (p *given) isStale(r layout.Region) bool {
	if r.Role != layout.RoleDisputed || slices.ContainsFunc(p.s.Entries,
		func(e layout.Entry) bool { return e.Overlaps(r.Span) }) {
		return false
	}
	return slices.ContainsFunc(p.s.Tables, func(t layout.Table) bool {
		return t.State == layout.Stale && len(t.Own.Outside(r.Span)) == 0
	})
}

// hasUnknown tells whether a region that nobody owns has sectors that the source
// does not know.
func hasUnknown(r layout.Region) bool {
	owned := r.Role == layout.RoleVolume || r.Role == layout.RoleTable || r.Role == layout.RoleDisputed
	return !owned && r.Content.Unread > 0
}

// contentEnd returns the end of what is in use in a run: whole runs count to
// their end, others to their last sector that is not blank. What was not read
// may hold anything.
func contentEnd(span disk.Span, c layout.Content, whole bool) disk.Sector {
	switch {
	case whole || !c.Looked || c.Unread > 0:
		return span.End()
	case c.NonBlank > 0:
		return c.Last + 1
	}
	return 0
}

// volumeSpan returns the sectors of the entry of a volume, or those up to the
// end of the disk for a bare one.
func (p *given) volumeSpan(index int) disk.Span {
	if e := p.s.Entry(index); e != nil {
		return disk.Between(e.Start, min(e.End(), p.s.Sectors))
	}
	if v := p.s.Volume(index); v != nil {
		return v.Span
	}
	return disk.Span{}
}

// where names the place of a volume.
func where(index int) string {
	if index == 0 {
		return "the disk without a table"
	}
	return fmt.Sprintf("entry %d", index)
}
