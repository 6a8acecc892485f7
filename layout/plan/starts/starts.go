// Package starts says of a planned card whether anything stops it from starting.
//
// Nobody but the machine itself knows that a card starts. What can be known is
// whether a number that led a loader to a place on the original leads it there on
// the card. One rule decides: what a link names on the planned card must be the place
// its old target went to: the same bytes, or the same structure made new. Where a
// way of starting has no broken link, nothing was found that stops it; where it
// depends on what no link shows, it cannot be known, and what that is, is said.
package starts

import (
	"context"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/scan"
	"bootgraft/layout/scan/link"
)

// Answer is what can be said of a way of starting.
type Answer string

// The answers.
const (
	NothingFound Answer = "nothing-found"  // that stops it
	CannotKnow   Answer = "cannot-know"    // it depends on something that nobody knows
	WillNot      Answer = "will-not-start" // a link is broken
)

// Method is how a machine may start from a disk.
type Method string

// The methods.
const (
	ActiveEntry Method = "active-entry" // boot code of sector 0 and the boot sector of the active entry
	BareVolume  Method = "bare-volume"  // the boot sector of a volume without a table
	GPT         Method = "gpt"          // boot code of sector 0 beside a GUID partition table
	EFIFallback Method = "efi-fallback" // \EFI\BOOT\BOOT*.EFI of a FAT volume
	BootCode    Method = "boot-code"    // boot code of sector 0, and no active entry
	Unknown     Method = "unknown"      // firmware of its own
)

// State is what became of a link.
type State string

// The states of a link.
const (
	Holds  State = "holds"
	Broken State = "broken"
	Unsure State = "unsure"
)

// Verdict is a link of the original on the planned card.
type Verdict struct {
	link.Link
	State State
	Why   string      // for a person: what it names now, or why that is not known
	Now   disk.Sector // that it names on the card, -1 if none
	Went  disk.Sector // where its old target lies on the card, -1 if nowhere
}

// Way is one way of starting.
type Way struct {
	Method Method
	Entry  int // its entry, 0 where it has none
	Answer Answer
	Chain  []string // what was followed and holds
	Broken []string // why it will not start
	Cannot []string // what cannot be known
}

// Report is what was found.
type Report struct {
	Answer Answer // the worst of all ways
	Ways   []Way
	Links  []Verdict
	Gone   []Gone
	Found  *link.Found
}

// judge is one run.
type judge struct {
	ctx    context.Context
	plan   *plan.Plan
	src    image.Source
	m      *layout.Map // of the original
	now    *layout.Map // of the card
	card   *card.Card
	found  *link.Found
	out    Report
	shifts []disk.Sector // by how much what rules changed may lie elsewhere: not, with the end, with the tail
	by     []copied      // the pieces that are copied, by where they come from
	weak   []Verdict     // numbers that may name what lies elsewhere on the card
	size   int

	partly bool // the card has more than the device sees of it, and the plan is of that
}

// copied is a piece that is copied, by its source sectors.
type copied struct {
	disk.Span
	to disk.Sector
}

// Known is what the caller has found out already; what is nil is found out here.
type Known struct {
	Links *link.Found // of the source
	Card  *layout.Map // the survey of the planned card, as far as its device sees it
}

// Judge says what stops a planned card from starting. m is the survey of its source,
// with regions.
func Judge(ctx context.Context, p *plan.Plan, src image.Source, m *layout.Map, known Known) (*Report, error) {
	partly := p.Sees != 0
	p = p.Seen() // the device starts from what it sees
	c, err := card.New(p, src)
	if err != nil {
		return nil, err
	}
	found, now := known.Links, known.Card
	if found == nil {
		if found, err = link.Find(ctx, src, m); err != nil {
			return nil, err
		}
	}
	if now == nil {
		shown := image.NewWindow(c.Known(), disk.Span{Count: p.Target.Sectors})
		if now, err = scan.Run(ctx, shown, scan.Options{Structure: true}); err != nil {
			return nil, err
		}
	}
	j := &judge{ctx: ctx, plan: p, src: src, m: m, now: now, card: c, found: found, size: src.SectorSize(), partly: partly}
	j.out.Found = found
	j.sortPieces()
	if err := j.links(); err != nil {
		return nil, err
	}
	if err := j.ways(); err != nil {
		return nil, err
	}
	j.out.Answer = NothingFound
	for i := range j.out.Ways {
		w := &j.out.Ways[i]
		switch {
		case len(w.Broken) > 0:
			w.Answer = WillNot
		case len(w.Cannot) > 0:
			w.Answer = CannotKnow
		default:
			w.Answer = NothingFound
		}
		j.out.Answer = worse(j.out.Answer, w.Answer)
	}
	return &j.out, nil
}

// worse returns the answer that weighs more.
func worse(a, b Answer) Answer {
	for _, x := range []Answer{WillNot, CannotKnow} {
		if a == x || b == x {
			return x
		}
	}
	return NothingFound
}
