package fit

import (
	"context"
	"errors"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/scan/link"
	"bootgraft/layout/table/gpt"
	"bootgraft/layout/table/mbr"
)

// Tail says what becomes of the tail on a card of another size.
type Tail string

// The choices for the tail. The empty Tail is TailBoth on a larger card, and
// TailEnd on a smaller one or where rules show that it is counted from the end.
const (
	TailBoth      Tail = "both"       // at its old address, as far as there is room, and at the new end
	TailEnd       Tail = "end"        // at the new end only
	TailSamePlace Tail = "same-place" // at its old address only
	TailDrop      Tail = "drop"       // nowhere
)

// Excess says what becomes of the sectors that the source did not have.
type Excess string

// The choices for the excess. The empty Excess is ExcessLeave.
const (
	ExcessLeave Excess = "leave" // not touched, but for the first and last 1 MiB
	ExcessZero  Excess = "zero"  // filled with zeros
)

// NewIDs are identifiers drawn anew, for a card that is used beside its
// original.
type NewIDs struct {
	GPT    *gpt.NewIDs
	DiskID uint32 // of an MBR
}

// Wishes are what the owner asks for.
type Wishes struct {
	Target     plan.Size
	Sees       disk.Sector // how many sectors of it the device sees; 0 for all of them
	Tail       Tail
	Excess     Excess
	NewIDs     *NewIDs
	Volumes    Volumes
	Rules      *compare.Rules        // what other originals of the model prove about the size; nil if nothing
	Invariants []candidate.Invariant // what is true of the source outside its volumes, and must stay true
	Fields     []layout.Field        // numbers there that may follow from its size
	Notes      []disk.Finding        // what else was found there
	Links      *link.Found           // what boot code names by its place; nil: it is looked for
	Try        int                   // which try of an unknown layout, from 1; 0 for the one that is known best
	Accept     []disk.Code           // codes of findings of severity Refusal that the owner accepts
	Path       string                // where the source lies, remembered in the plan
	Kit        bool                  // the source is a kit: no drive is there that could be asked again
}

// Refused says why there is no plan.
type Refused struct {
	Why  []disk.Finding // what cannot be, whatever is accepted
	Need []disk.Finding // what has to be accepted by its code

	// Smallest is the smallest card that would do for the wishes as they are, or
	// Accepting if none does. Accepting is the smallest with everything accepted
	// that would be asked. Both are 0 if the size of the card is not the trouble.
	Smallest, Accepting disk.Sector

	InVolumes bool // among Need: sectors of volumes are not known
}

func (r *Refused) Error() string {
	return disk.Lines(slices.Concat(r.Why, r.Need))
}

// Plan plans the card. The error is a *Refused, or a failed read of src.
// Accepted codes that nothing asked for are a finding.
func Plan(ctx context.Context, src image.Source, s *layout.Map, w Wishes) (*plan.Plan, error) {
	if w.Sees != 0 && w.Sees != w.Target.Sectors {
		return planSeen(ctx, src, s, w)
	}
	at, err := open(src, s)
	if err != nil {
		return nil, err
	}
	g := &given{ctx: ctx, src: src, s: s, open: at, w: w, linked: &linked{w.Links}}
	a, err := g.attempt()
	if err != nil {
		return nil, err
	}
	inVolumes := a.missesInVolumes()
	if a.tooSmall > 0 {
		if inVolumes, err = a.tellSmallest(); err != nil {
			return nil, err
		}
	}
	if a.isRefused() {
		if inVolumes, err = a.askForAll(inVolumes); err != nil {
			return nil, err
		}
		return nil, a.refusal(inVolumes && !a.accepts(disk.MissingInVolume))
	}
	made, err := a.finish()
	if err != nil {
		return nil, err
	}
	if a.isRefused() {
		return nil, a.refusal(false)
	}
	made.Findings = append(made.Findings, a.unusedAccepts(w.Accept)...)
	return made, nil
}

// IsRefused returns the refusal in err, or nil.
func IsRefused(err error) *Refused {
	var r *Refused
	if errors.As(err, &r) {
		return r
	}
	return nil
}

// attempt is one run through the stages: what each has made, and what is said of it.
type attempt struct {
	*given
	verdict
	tried  *course
	placed *placement
	drawn  *drawing

	noTable  bool        // its table cannot be made for this card
	tooSmall disk.Sector // a first guess at the smallest card, where this one is too small
}

// attempt decides everything but what is read to make the pieces. The attempt is
// never nil.
func (p *given) attempt() (*attempt, error) {
	a := &attempt{given: p, verdict: verdict{used: map[disk.Code]bool{}}}
	return a, a.work()
}

// fits tells whether nothing stands against the card.
func (a *attempt) fits() bool { return !a.isRefused() && a.tooSmall == 0 }

// work calls the stages, up to the one that has no value.
func (a *attempt) work() error {
	a.weigh(a.given, a.survey())
	if a.w.Target.SectorSize != a.s.SectorSize {
		return nil
	}
	tried, out := a.follow()
	a.weigh(a.given, out)
	a.tried = tried
	need, out, err := tried.require()
	a.weigh(a.given, out)
	if err != nil {
		return err
	}
	placed, out, err := need.place()
	a.weigh(a.given, out)
	if err != nil {
		return err
	}
	a.placed = placed
	if a.resizing() {
		a.weigh(a.given, a.aboutOtherSize())
		a.weigh(a.given, placed.noteKeptNumbers())
		a.weigh(a.given, placed.noteTailNotKept())
		if least := placed.leastCard(); a.w.Target.Sectors < least {
			a.tooSmall = least
		} else {
			a.weigh(a.given, placed.askAboutFallingOff())
		}
	}
	if len(a.refused.Why) > 0 || a.tooSmall > 0 {
		return nil
	}
	tables, out, err := placed.renderTables()
	a.weigh(a.given, out)
	if err != nil {
		return a.cannotRender(err)
	}
	drawn, out, err := placed.draw(tables)
	a.weigh(a.given, out)
	if err != nil {
		return err
	}
	a.drawn = drawn
	return nil
}

// missesInVolumes tells whether sectors of volumes are zeros on the card.
func (a *attempt) missesInVolumes() bool { return a.drawn != nil && a.drawn.inVolumes }

// finish makes the plan and proves it. What stands against it is in the verdict.
func (a *attempt) finish() (*plan.Plan, error) {
	made, err := a.drawn.emit(a.findings)
	if err != nil {
		return nil, err
	}
	known := len(a.findings)
	out, err := a.drawn.prove(made)
	a.weigh(a.given, out)
	for _, f := range a.findings[known:] {
		f.Text = strings.ToValidUTF8(f.Text, "?")
		made.Findings = append(made.Findings, f)
	}
	return made, err
}

// survey takes over what the survey found. A refusal among it stands only
// where the card differs from the original: a card of the same size is a copy,
// whatever is on the disk.
func (p *given) survey() (out said) {
	for _, f := range slices.Concat(p.s.Findings, p.w.Notes) {
		switch {
		case f.Severity != disk.Refusal:
			out.note(f)
		case p.resizing():
			out.ask(f)
		default:
			f.Severity = disk.Warning
			out.note(f)
		}
	}
	switch {
	case p.w.Target.SectorSize != p.s.SectorSize:
		out.refuse(disk.Refusalf(disk.SectorSizeDiffers, disk.NoSector,
			"the source has sectors of %d bytes and the card of %d: every address in the boot areas would mean another place. "+
				"Use a card and a reader that show sectors of %d bytes",
			p.s.SectorSize, p.w.Target.SectorSize, p.s.SectorSize))
	case p.s.OddBytes > 0:
		out.ask(disk.Refusalf(disk.OddBytes, p.s.Sectors,
			"the last %d bytes of the source file belong to no whole sector and are left behind", p.s.OddBytes))
	}
	return out
}

// cannotRender turns what makes a table impossible into a refusal; a failed
// read comes back.
func (a *attempt) cannotRender(err error) error {
	var small *gpt.TooSmallError
	var entry *gpt.EntryError
	var resize *mbr.ResizeError
	var format *disk.FormatError
	switch {
	case errors.As(err, &small):
		a.tooSmall = max(small.Smallest, a.w.Target.Sectors+1)
	case errors.As(err, &entry), errors.As(err, &resize), errors.As(err, &format):
	default:
		return err
	}
	a.noTable = true
	var out said
	out.refuse(disk.Refusalf(disk.TableNotRenderable, 0,
		"the %s table cannot be made for %s: %v", a.s.Table, sectors(a.w.Target.Sectors), err))
	a.weigh(a.given, out)
	return nil
}

// aboutOtherSize asks where a disk is not understood well enough for a
// card of another size.
func (p *given) aboutOtherSize() (out said) {
	switch p.s.Table {
	case "conflict":
		out.ask(disk.Refusalf(disk.TablesConflict, 0,
			"several tables contradict each other on this disk; on another size all of it is copied byte for byte, and every "+
				"table keeps the old size"))
	case "gpt":
		if p.open.gpt == nil {
			out.ask(disk.Refusalf(disk.GPTDamaged, 1,
				"no copy of the GUID partition table can be read; on another size all of it is copied byte for byte, and nobody "+
					"knows which blank sectors are somebody's"))
		}
	case "mbr":
	case "none":
		for _, v := range p.s.Unlisted {
			if v.End() > p.w.Target.Sectors {
				out.ask(disk.Refusalf(disk.VolumeUnlisted, v.Start,
					"a %s volume of %s that no table names ends behind the end of the card: its size stays, whoever uses it "+
						"believes that it is whole, and writes past the end. It needs a card of %s",
					v.Kind, sectors(v.Count), sectors(v.End())))
			}
		}
	default:
		out.note(disk.Warningf(disk.TableNamesOldSize, 0,
			"the %s table is copied byte for byte: where it names the size of the disk it names the old one, %s",
			p.s.Table, sectors(p.s.Sectors)))
	}
	return out
}

// sectors writes a count for a person.
func sectors(n disk.Sector) string { return disk.Counted(n, "sector") }

// grouped writes a number with thousands separators.
func grouped(n int64) string { return disk.Grouped(n) }
