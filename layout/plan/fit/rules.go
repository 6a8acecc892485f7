package fit

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan/card"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
)

// rulesOf returns the rules that this planner has to follow: what lies in a
// volume or a table that it knows, it plans itself.
func (p *given) rulesOf() (rules *compare.Rules, out said) {
	if p.w.Rules == nil {
		return nil, out
	}
	if !p.resizing() {
		out.note(disk.Notef(disk.RulesNotNeeded, disk.NoSector,
			"the card has the size of the source: everything is copied as it is, and the rules change nothing"))
		return nil, out
	}
	known := p.plannedElsewhere()
	lost := 0
	rules = p.w.Rules.Only(func(s candidate.Place, from, to int) bool {
		at := s.At(p.s.Sectors)
		mine := !known.Holds(at) && !(at == 0 && p.s.Table == "mbr" && from < mbrTableEnd && to > mbrTable)
		if !mine {
			lost++
		}
		return mine
	})
	rules = rules.Likeliest(p.w.Target.Sectors)
	if lost > 0 {
		out.note(disk.Notef(disk.RulesInVolume, disk.NoSector,
			"%s of volumes or tables that are known here; these are planned by what is known of them, and the rules are left "+
				"aside", speak(lost)))
	}
	return rules, out
}

// speak says of how many rules it is so that they speak of something.
func speak(n int) string {
	if n == 1 {
		return "1 of the rules speaks"
	}
	return disk.Grouped(n) + " of the rules speak"
}

// The bytes of sector 0 that are the table of an MBR.
const (
	mbrTable    = 446
	mbrTableEnd = 510
)

// plannedElsewhere returns the source sectors of known volumes, and of tables
// that are made new.
func (p *given) plannedElsewhere() disk.Spans {
	var known disk.Spans
	for _, v := range p.s.Volumes {
		known = known.Add(v.Span)
		if e := p.s.Entry(v.Index); e != nil {
			known = known.Add(e.Span)
		}
	}
	if p.gptInForce() {
		known = known.Union(p.backupPlace()).Union(p.open.gpt.PrimaryPlace()).Add(disk.Span{Count: 1})
	}
	return known
}

// tailByRules makes the tail reach as far as the rules count from the end.
// Where the survey could not tell a tail from a recording, what is the same on
// all originals is tail.
func (p *course) tailByRules(t tail) (_ tail, out said, err error) {
	if p.rules == nil || p.rules.TailReach() == 0 {
		return t, out, nil
	}
	reach := p.rules.TailReach()
	if t.Empty() && p.s.TailUndecided {
		if reach, err = p.rules.ConstantTail(p.src); err != nil {
			return t, out, err
		}
	}
	start := p.rules.Counted(p.s.Sectors) - reach
	if !t.Empty() && t.Start <= start || start < 0 {
		return t, out, nil // Apply refuses rules that reach past the start
	}
	for _, e := range p.s.Entries {
		if e.End() > start && !e.NoVolume {
			out.refuse(disk.Refusalf(disk.RulesInEntry, start,
				"the rules count from the end what lies in entry %d: whether it moves with the end or stays in its entry is not "+
					"known", e.Index))
			return t, out, nil
		}
	}
	t = t.from(disk.Between(start, max(p.s.Sectors-p.backup(), t.End())), tailRuled)
	out.note(disk.Notef(disk.TailByRules, start,
		"the rules count the last %s from the end; they go to the new end of the card", sectors(t.Count)))
	return t, out, nil
}

// tailTo returns where the tail begins on the card: as far before its end as on
// the source, or before the end that the device counts.
func (p *course) tailTo(t tail) disk.Sector {
	target, old := p.w.Target.Sectors, p.s.Sectors
	if p.rules == nil || p.rules.Counted(target) == target && p.rules.Counted(old) == old {
		return target - p.backup() - t.Count
	}
	return max(0, t.Start+p.rules.Counted(target)-p.rules.Counted(old))
}

// countedFromEnd tells whether originals of several sizes have shown that the
// tail lies where it does from the end: nobody needs it at its old address.
func (p *course) countedFromEnd(t tail) bool {
	return p.w.Rules != nil && p.rules != nil && p.rules.TailReach() > 0 && t.Count <= p.rules.Tail
}

// ruled is what rules make of a card.
type ruled struct {
	patches patches    // with those of tables
	from    disk.Spans // source sectors that they change
}

// ruling is the work of applying them.
type ruling struct {
	*placement
	said
	ruled
	base []segment
}

// applyRules renders what the rules say of the card's head and tail, over the
// patches of tables.
func (p *placement) applyRules(base []segment, tables patches) (ruled, said, error) {
	r := &ruling{placement: p, base: base, ruled: ruled{patches: maps.Clone(tables)}}
	if p.rules == nil {
		return r.ruled, r.said, nil
	}
	err := r.apply()
	return r.ruled, r.said, err
}

func (p *ruling) apply() error {
	out, err := p.render()
	var refused *compare.RefusedError
	var unknown *image.UnknownError
	switch {
	case errors.As(err, &refused):
		p.refuse(disk.Refusalf(refused.Code, disk.NoSector, "%s", refused.Why))
		return nil
	case errors.As(err, &unknown):
		p.refuse(disk.Refusalf(disk.RulesMissing, unknown.Start, "the rules need sectors that the source does not know: %v",
			err))
		return nil
	case err != nil:
		return err
	}
	for _, f := range out.Findings {
		p.note(f)
	}
	for _, u := range out.Undecided {
		if !p.try.guesses(u.Place) {
			p.askOne(u)
		}
	}
	for _, q := range out.Questions {
		if p.judged != nil && q.Code == disk.CopyLeftBehind {
			p.refuse(q) // nobody is offered a try that the device may undo
			continue
		}
		p.ask(q)
	}
	for _, s := range out.Sectors {
		if err := p.applySector(s); err != nil {
			return err
		}
	}
	if err := p.pointers(); err != nil {
		return err
	}
	p.noteRules()
	return nil
}

// askOne asks about one number or checksum, which can be accepted by its place too:
// rules-undecided:0/96, or rules-undecided:end-1/96.
func (p *ruling) askOne(u compare.OpenRule) {
	one := disk.Code(fmt.Sprintf("%s:%s/%d", u.Code, strings.TrimPrefix(u.SectorText(), "sector "), u.Byte))
	if !p.accepts(one) && !p.accepts(u.Code) {
		u.Finding.Text += fmt.Sprintf("; --accept %s accepts this one alone", one)
	}
	p.askAlone(u.Finding, one)
}

// noteRules says what the rules made, and from which originals they come.
func (p *ruling) noteRules() {
	copied := disk.Sector(0)
	for _, c := range p.rules.Copies {
		copied += c.Count
	}
	var sizes []string
	for _, n := range p.rules.Sizes {
		sizes = append(sizes, grouped(int64(n)))
	}
	p.note(disk.Notef(disk.RulesApplied, disk.NoSector, "%s made by %s for numbers, %s for checksums and %s for copies "+
		"of sectors; they come from originals of %s sectors",
		sectors(p.from.Sectors())+" "+disk.IsAre(p.from.Sectors()), disk.Counted(len(p.rules.Fields), "rule"),
		disk.Grouped(len(p.rules.Checks)), disk.Grouped(copied), strings.Join(sizes, ", ")))
}

// applySector puts one sector of the rules onto the card, if what the card has
// there is the sector that it was made from.
func (p *ruling) applySector(s compare.RenderedSector) error {
	p.from = p.from.Add(disk.Span{Start: s.From, Count: 1})
	old, err := image.ReadSectors(p.src, disk.Span{Start: s.From, Count: 1})
	if err != nil {
		return err
	}
	if from, ok := p.origin(s.At); !ok || from != s.From {
		p.refuse(disk.Refusalf(disk.RulesTail, s.At, "the rules make sector %s of the card from sector %s of the source, "+
			"but the plan puts something else there: --tail %s does not go together with these rules", grouped(int64(s.At)),
			grouped(int64(s.From)), p.tail.choice))
		return nil
	}
	if bytes.Equal(old, s.Bytes) {
		return nil
	}
	rank := layout.RankFirst
	switch {
	case s.At == 0:
		rank = layout.RankSector0
	case s.At-s.From == p.rules.Counted(p.w.Target.Sectors)-p.rules.Counted(p.s.Sectors):
		rank = layout.RankCopy
	}
	made := s.Bytes
	if fix, ok := p.patches[s.At]; ok { // a table changes other bytes of the same sector
		made = slices.Clone(fix.data)
		for i := range made {
			if old[i] != s.Bytes[i] {
				made[i] = s.Bytes[i]
			}
		}
	}
	p.patches[s.At] = patch{made, layout.WhyRule, rank}
	return nil
}

// origin returns the source sector that the card has at x before anything is
// rendered on it.
func (p *ruling) origin(x disk.Sector) (disk.Sector, bool) {
	for _, q := range p.base {
		if q.Holds(x) && q.Op == layout.Copy {
			return q.From + x - q.Start, true
		}
	}
	return 0, false
}

// pointers asks about addresses whose target does not arrive where they will
// point: it stays behind, or falls off. A blank target is nothing.
func (p *ruling) pointers() error {
	for i := range p.rules.Fields {
		f := &p.rules.Fields[i]
		if f.Class != compare.Address || f.Weak() {
			continue
		}
		before, err1 := p.rules.Answer(f, p.s.Sectors)
		after, err2 := p.rules.Answer(f, p.w.Target.Sectors)
		if err1 != nil || err2 != nil || before.Value >= uint64(p.s.Sectors) {
			continue // Apply has refused it, or it points at nothing
		}
		from := disk.Span{Start: disk.Sector(before.Value), Count: 1}
		if len(image.Unknown(p.src, from)) > 0 {
			p.note(disk.Warningf(disk.RulesPointerUnknown, from.Start, "%s points to sector %s, which the source does not know",
				f.Place, grouped(int64(from.Start))))
			continue
		}
		b, err := image.ReadSectors(p.src, from)
		if err != nil {
			return err
		}
		if at, ok := p.origin(disk.Sector(after.Value)); ok && at == from.Start {
			continue
		}
		if _, blank := image.Blank(b); blank {
			continue
		}
		p.ask(disk.Refusalf(disk.RulesPointerMoves, disk.Sector(after.Value),
			"%s points to sector %s of the source, which is in use, and would point to sector %s of the card, where the plan "+
				"does not copy it", f.Place, grouped(int64(from.Start)), grouped(int64(after.Value))))
	}
	return nil
}

// rulesMeaning returns the source sectors that the rules rest on.
func (p *drawing) rulesMeaning() disk.Spans {
	m := slices.Clone(p.from)
	if p.rules == nil {
		return m
	}
	for s := range p.rules.Touched() {
		m = m.Add(disk.Span{Start: s.At(p.rules.Counted(p.s.Sectors)), Count: 1})
	}
	return m
}

// proveRules refuses a card that does not follow its rules.
func (p *proof) proveRules(card *card.Card) error {
	if p.rules == nil {
		return nil
	}
	broken, err := p.rules.Broken(card)
	for _, f := range broken {
		p.refuse(disk.Refusalf(disk.RulesBroken, f.Sector, "the planned card does not follow its rules: %s", f.Text))
	}
	return err
}
