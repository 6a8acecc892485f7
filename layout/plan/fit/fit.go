package fit

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/scan"
	"bootgraft/layout/table/gpt"
	"bootgraft/layout/table/mbr"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/resize"
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
	Target  plan.Disk
	Tail    Tail
	Excess  Excess
	NewIDs  *NewIDs
	Volumes Volumes
	Rules   *compare.Rules    // what other originals of the model prove about the size; nil if nothing
	Truths  []candidate.Truth // what is true of the source outside its volumes, and must stay true
	Fields  []layout.Field    // numbers there that may follow from its size
	Notes   []disk.Finding    // what else was found there
	Try     int               // which try of an unknown layout, from 1; 0 for the one that is known best
	Accept  []disk.Code       // codes of findings of severity Refusal that the owner accepts
	Path    string            // where the source lies, remembered in the plan
	Kit     bool              // the source is a kit: no drive is there that could be asked again
}

// TakeOutside takes over what a look into the sectors outside the volumes found.
func (w *Wishes) TakeOutside(o *scan.Outside) {
	w.Truths, w.Fields, w.Notes = o.Truths(), o.Fields, o.Findings
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
	var all []string
	for _, f := range slices.Concat(r.Why, r.Need) {
		all = append(all, string(f.Code)+": "+f.Text)
	}
	return strings.Join(all, "\n")
}

// planner is one planning run.
type planner struct {
	ctx  context.Context
	src  image.Source
	s    *layout.Map
	open opened
	w    Wishes
	need need

	accepted map[disk.Code]bool
	used     map[disk.Code]bool // accepted codes that a finding asked for
	findings []disk.Finding
	refused  Refused

	ends     map[int]disk.Sector    // end of what is used of an entry, by index
	resized  map[int]disk.Sector    // new length of an entry, by index
	sized    map[int]*resize.Result // volumes that change, by index
	assumed  bool                   // the tail is what its owner says it is
	smallest disk.Sector            // end of the volumes at their smallest, where one does not fit
	noTable  bool                   // its table cannot be made for this card
	tooSmall disk.Sector            // a first guess at the smallest card, where this one is too small
	fixed    []disk.Finding         // why volumes that reach too far stay as they are
	renewed  disk.Spans             // source sectors whose own format makes them new
	gone     disk.Spans             // source sectors that need no place on the card; nil until asked
	base     []segment              // the card before anything is rendered on it
	laid     []segment              // the same, without what the source does not know
	patches  patches

	missesInVolumes bool // sectors of volumes are zeros on the card

	rules  *compare.Rules // those that this card follows
	try    rung           // the try that this card is, on an unknown layout
	judged *rung          // the try that the card is to be; nil: it is chosen from the ladder
	grants bool           // whatever is asked is accepted
	ruled  disk.Spans     // source sectors that the rules change
}

// Plan plans the card. The error is a *Refused, or a failed read of src.
// Accepted codes that nothing asked for are a finding.
func Plan(ctx context.Context, src image.Source, s *layout.Map, w Wishes) (*plan.Plan, error) {
	at, err := open(src, s)
	if err != nil {
		return nil, err
	}
	p := newPlanner(ctx, src, s, at, w)
	if err := p.work(); err != nil {
		return nil, err
	}
	if p.tooSmall > 0 {
		if err := p.tellSmallest(w); err != nil {
			return nil, err
		}
	}
	if p.isRefused() {
		if err := p.askForAll(w); err != nil {
			return nil, err
		}
		p.refused.InVolumes = p.missesInVolumes && !p.accepted[disk.MissingInVolume]
		return nil, &p.refused
	}
	made, err := p.emit()
	if err != nil {
		return nil, err
	}
	if err := p.prove(made); err != nil {
		return nil, err
	}
	if p.isRefused() {
		return nil, &p.refused
	}
	made.Findings = append(made.Findings, p.unusedAccepts()...)
	return made, nil
}

func newPlanner(ctx context.Context, src image.Source, s *layout.Map, at opened, w Wishes) *planner {
	p := &planner{
		ctx: ctx, src: src, s: s, open: at, w: w,
		accepted: map[disk.Code]bool{}, used: map[disk.Code]bool{},
		ends: map[int]disk.Sector{}, resized: map[int]disk.Sector{}, patches: patches{},
	}
	for _, code := range w.Accept {
		p.accepted[code] = true
	}
	return p
}

func (p *planner) isRefused() bool { return len(p.refused.Why)+len(p.refused.Need) > 0 }

// table returns the active allocation table of a volume.
func table(index int, v *fat.Volume) (*fat.Table, error) {
	t, err := v.ActiveTable()
	if err != nil {
		return nil, fmt.Errorf("%s: reading the allocation table: %w", where(index), err)
	}
	return t, nil
}

// work decides everything but what is read to make the pieces.
func (p *planner) work() error {
	p.survey()
	if p.w.Target.SectorSize != p.s.SectorSize {
		p.refuse(disk.Refusalf(disk.SectorSizeDiffers, disk.NoSector,
			"the source has sectors of %d bytes and the card of %d: every address in the boot areas would mean another place. Use a card and a reader that show sectors of %d bytes",
			p.s.SectorSize, p.w.Target.SectorSize, p.s.SectorSize))
		return nil
	}
	if p.s.OddBytes > 0 {
		p.ask(disk.Refusalf(disk.OddBytes, p.s.Sectors, "the last %d bytes of the source file belong to no whole sector and are not carried", p.s.OddBytes))
	}
	p.takeRules()
	p.chooseTry()
	if err := p.measure(); err != nil {
		return err
	}
	if p.resizing() {
		p.askAboutOtherSize()
		p.checkFits()
	}
	if len(p.refused.Why) > 0 || p.tooSmall > 0 {
		return nil
	}
	at := p.placement()
	p.base = at.segments()
	if err := p.renderTables(); err != nil {
		return p.cannotRender(err)
	}
	if err := p.applyRules(); err != nil {
		return err
	}
	p.tellWalls()
	return p.answerMissing()
}

// survey takes over what the survey found. A refusal among it stands only
// where the card differs from the original: a card of the same size is a copy,
// whatever is on the disk.
func (p *planner) survey() {
	for _, f := range slices.Concat(p.s.Findings, p.w.Notes) {
		switch {
		case f.Severity != disk.Refusal:
			p.note(f)
		case p.resizing():
			p.ask(f)
		default:
			f.Severity = disk.Warning
			p.note(f)
		}
	}
}

// cannotRender turns what makes a table impossible into a refusal; a failed
// read comes back.
func (p *planner) cannotRender(err error) error {
	var small *gpt.TooSmallError
	var entry *gpt.EntryError
	var resize *mbr.ResizeError
	var format *disk.FormatError
	switch {
	case errors.As(err, &small):
		p.tooSmall = max(small.Smallest, p.w.Target.Sectors+1)
	case errors.As(err, &entry), errors.As(err, &resize), errors.As(err, &format):
	default:
		return err
	}
	p.noTable = true
	p.refuse(disk.Refusalf(disk.TableNotRenderable, 0, "the %s table cannot be made for %s: %v", p.s.Table, sectors(p.w.Target.Sectors), err))
	return nil
}

// resizing tells whether the card has another size than the source.
func (p *planner) resizing() bool { return p.w.Target.Sectors != p.s.Sectors }

func (p *planner) note(f disk.Finding) { p.findings = append(p.findings, f) }

// refuse notes something that cannot be, whatever is accepted.
func (p *planner) refuse(f disk.Finding) { p.refused.Why = append(p.refused.Why, f) }

// ask notes something that goes on only if its owner accepts it by code.
func (p *planner) ask(f disk.Finding) bool {
	f.Severity = disk.Refusal
	p.used[f.Code] = true
	p.accepted[f.Code] = p.accepted[f.Code] || p.grants
	if p.accepted[f.Code] {
		f.Accepted = true
		p.note(f)
		return true
	}
	p.refused.Need = append(p.refused.Need, f)
	return false
}

// unusedAccepts notes what was accepted and nobody asked for.
func (p *planner) unusedAccepts() (out []disk.Finding) {
	for _, code := range p.w.Accept {
		if !p.used[code] {
			text := strings.ToValidUTF8(string(code), "?")
			out = append(out, disk.Notef(disk.AcceptNotNeeded, disk.NoSector, "--accept %s was given, but nothing asked for it", text))
			p.used[code] = true
		}
	}
	return out
}

// askAboutOtherSize asks where a disk is not understood well enough for a
// card of another size.
func (p *planner) askAboutOtherSize() {
	switch p.s.Table {
	case "conflict":
		p.ask(disk.Refusalf(disk.TablesConflict, 0, "several tables contradict each other on this disk; on another size all of it is carried byte for byte, and every table keeps the old size"))
	case "gpt":
		if p.open.gpt == nil {
			p.ask(disk.Refusalf(disk.GPTDamaged, 1, "no copy of the GUID partition table can be read; on another size all of it is carried byte for byte, and nobody knows which blank sectors are somebody's"))
		}
	case "mbr", "none":
	default:
		p.note(disk.Warningf(disk.TableNamesOldSize, 0, "the %s table is carried byte for byte: where it names the size of the disk it names the old one, %s", p.s.Table, sectors(p.s.Sectors)))
	}
}

// gptInForce tells whether a GUID partition table has to be rendered.
func (p *planner) gptInForce() bool { return p.s.Table == "gpt" && p.open.gpt != nil }

// sectors writes a count for a person.
func sectors(n disk.Sector) string { return disk.Counted(n, "sector") }

// isAre is the verb for so many sectors.
func isAre(n disk.Sector) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

// grouped writes a number with thousands separators.
func grouped(n int64) string { return disk.Grouped(n) }
