package plan

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"unicode/utf8"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// ProofError says which part of a plan breaks which rule.
type ProofError struct {
	Part  string // the field of the plan file: target, sees, source, pieces, dropped, findings, rendered, choices
	Index int    // which element of that part, from 0; -1 if it is about the whole part
	Why   string
}

func (e *ProofError) Error() string {
	if e.Index < 0 {
		return fmt.Sprintf("bad plan: %s: %s", e.Part, e.Why)
	}
	return fmt.Sprintf("bad plan: %s[%d]: %s", e.Part, e.Index, e.Why)
}

func badf(part string, index int, why string, args ...any) error {
	return &ProofError{part, index, fmt.Sprintf(why, args...)}
}

// Check proves the plan: the pieces tile the card; every piece has a valid
// provenance, reason and rank; Copy stays inside the source and Render inside
// the rendered bytes, all of which are used, in the order of first use; Leave
// keeps away from both ends of the card; From is 0 where it means nothing; and
// everything else a plan says lies inside its disk. The error is a ProofError.
func (p *Plan) Check() error {
	checks := []func(*Plan) error{
		(*Plan).checkWriter, (*Plan).checkDisks, (*Plan).checkMeaning, (*Plan).checkTiles,
		(*Plan).checkSees, (*Plan).checkPieces, (*Plan).checkDropped, (*Plan).checkFindings, (*Plan).checkChoices,
	}
	for _, check := range checks {
		if err := check(p); err != nil {
			return err
		}
	}
	return nil
}

func (p *Plan) checkWriter() error {
	if err := disk.CheckWriter(p.WrittenBy); err != nil {
		return badf("written_by", -1, "%v", err)
	}
	return nil
}

func (p *Plan) checkDisks() error {
	if err := checkDisk("target", p.Target); err != nil {
		return err
	}
	if err := checkDisk("source", p.Source.Size); err != nil {
		return err
	}
	if p.Target.SectorSize != p.Source.SectorSize {
		return badf("target", -1, "its sectors have %d bytes and those of the source %d: every address would "+
			"change its meaning",
			p.Target.SectorSize, p.Source.SectorSize)
	}
	if !disk.IsSHA256(p.Source.Digest) {
		return badf("source", -1, "its digest is not 64 lower-case hex digits")
	}
	if why := badText(p.Source.Path); why != "" {
		return badf("source", -1, "its path %s", why)
	}
	return nil
}

func checkDisk(part string, d Size) error {
	switch d.SectorSize {
	case 512, 1024, 2048, 4096:
	default:
		return badf(part, -1, "a sector size of %d bytes is not 512, 1024, 2048 or 4096", d.SectorSize)
	}
	if limit := disk.Sector(math.MaxInt64 / int64(d.SectorSize)); d.Sectors < 1 || d.Sectors > limit {
		return badf(part, -1, "%s of %d bytes is no size of a disk", disk.Counted(d.Sectors, "sector"), d.SectorSize)
	}
	return nil
}

// badText says what is wrong with a text, or nothing.
func badText(s string) string {
	switch {
	case len(s) > maxText:
		return fmt.Sprintf("is longer than %d bytes", maxText)
	case !utf8.ValidString(s):
		return "is not UTF-8, and would not survive in the plan file"
	}
	return ""
}

func (p *Plan) checkMeaning() error {
	m := p.Source.Meaning
	if len(m) > maxMeaning {
		return badf("source", -1, "meaning has more than %d spans", maxMeaning)
	}
	for i, s := range m {
		if !s.Inside(p.Source.Sectors) {
			return badf("source", -1, "meaning[%d]: %s is not inside the source of %s", i, s,
				disk.Counted(p.Source.Sectors, "sector"))
		}
		if i > 0 && s.Start <= m[i-1].End() {
			return badf("source", -1, "meaning[%d]: %s does not come after %s with a gap between", i, s, m[i-1])
		}
	}
	return nil
}

func (p *Plan) checkTiles() error {
	if len(p.Pieces) > maxPieces {
		return badf("pieces", -1, "there are more than %d", maxPieces)
	}
	var te *disk.TilingError
	switch err := disk.CheckTiles(p.Target.Sectors, p.Pieces); {
	case errors.As(err, &te):
		return badf("pieces", te.Index, "%s: %s", disk.At(te.At, p.Target.SectorSize), te.Why)
	default:
		return err
	}
}

// checkChoices wants names with values, each a text of bounded length.
func (p *Plan) checkChoices() error {
	if len(p.Choices) > maxChoices {
		return badf("choices", -1, "there are %d of them, and %d at most", len(p.Choices), maxChoices)
	}
	for i, c := range p.Choices {
		if name, _, ok := strings.Cut(c, "="); !ok || name == "" || len(c) > maxText || !utf8.ValidString(c) {
			return badf("choices", i, "%.40q is no NAME=VALUE in UTF-8 of at most %d bytes", c, maxText)
		}
	}
	return nil
}

// checkSees wants what the device sees to be less than the card, which 0 says better,
// and to end where a piece does: what lies behind belongs to nobody.
func (p *Plan) checkSees() error {
	if p.Sees == 0 {
		return nil
	}
	if p.Sees < 0 || p.Sees >= p.Target.Sectors {
		return badf("sees", -1, "the device cannot see %s as a part of a card of %s",
			disk.Counted(p.Sees, "sector"), disk.Counted(p.Target.Sectors, "sector"))
	}
	if q := p.Lookup(p.Sees); q == nil || q.Start != p.Sees {
		return badf("sees", -1, "no piece begins at sector %s, behind what the device sees", disk.Grouped(p.Sees))
	}
	return nil
}

func (p *Plan) checkPieces() error {
	pool := p.RenderedSectors()
	if p.Rendered != nil && p.Rendered.Size() != int64(pool)*int64(p.Target.SectorSize) {
		return badf("rendered", -1, "%d bytes are not whole sectors of %d", p.Rendered.Size(), p.Target.SectorSize)
	}
	if p.Rendered != nil && p.Rendered.Size() > maxChunks*block {
		return badf("rendered", -1, "there are more than %d bytes", int64(maxChunks*block))
	}
	var used disk.Sector // rendered sectors that the pieces so far need
	for i := range p.Pieces {
		q := &p.Pieces[i]
		if why := p.badPiece(q, pool); why != "" {
			return badf("pieces", i, "%s: %s", q.Span, why)
		}
		if q.Op != layout.Render {
			continue
		}
		if q.From > used {
			return badf("pieces", i, "%s: it takes rendered sector %s, but no piece before it takes sector %s", q.Span,
				disk.Grouped(q.From), disk.Grouped(used))
		}
		used = max(used, q.From+q.Count)
	}
	if used != pool {
		return badf("rendered", -1, "no piece takes sector %s of %s", disk.Grouped(used), disk.Grouped(pool))
	}
	return nil
}

// badPiece says what is wrong with one piece by itself, or nothing.
func (p *Plan) badPiece(q *layout.Piece, pool disk.Sector) string {
	switch {
	case !q.Why.Valid():
		return fmt.Sprintf("there is no reason number %d", uint8(q.Why))
	case q.Rank > layout.RankSector0:
		return fmt.Sprintf("there is no rank %d", q.Rank)
	case q.Rank == layout.RankSector0 && q.Start != 0:
		return "only the piece at sector 0 can have the rank of sector 0"
	}
	from := disk.Span{Start: q.From, Count: q.Count}
	switch q.Op {
	case layout.Copy:
		if !from.Inside(p.Source.Sectors) {
			return fmt.Sprintf("it copies %s, outside the source of %s", from.Text(), disk.Counted(p.Source.Sectors, "sector"))
		}
	case layout.Render:
		if !from.Inside(pool) {
			return fmt.Sprintf("it takes rendered %s of %s", from.Text(), disk.Grouped(pool))
		}
	case layout.Zero, layout.Leave:
		if q.From != 0 {
			return fmt.Sprintf("%s comes from nowhere, but from is %d", q.Op, q.From)
		}
		if edge := disk.Sector(Edge / p.Target.SectorSize); q.Op == layout.Leave &&
			(q.Start < edge || q.End() > p.Target.Sectors-edge) {
			return "the first and last 1 MiB of a card are never left as they are"
		}
	default:
		return fmt.Sprintf("there is no provenance number %d", uint8(q.Op))
	}
	return ""
}

func (p *Plan) checkDropped() error {
	if len(p.Dropped) > maxDropped {
		return badf("dropped", -1, "there are more than %d", maxDropped)
	}
	for i, d := range p.Dropped {
		if !d.Span.Inside(p.Source.Sectors) {
			return badf("dropped", i, "%s is not inside the source of %s", d.Span, disk.Counted(p.Source.Sectors, "sector"))
		}
		if d.Role == "" {
			return badf("dropped", i, "it has no role")
		}
		for _, text := range []string{string(d.Role), d.Name, d.Why} {
			if why := badText(text); why != "" {
				return badf("dropped", i, "a text of it %s", why)
			}
		}
	}
	return nil
}

func (p *Plan) checkFindings() error {
	if len(p.Findings) > maxFindings {
		return badf("findings", -1, "there are more than %d", maxFindings)
	}
	for i, f := range p.Findings {
		switch f.Severity {
		case disk.Note, disk.Warning, disk.Refusal:
		default:
			return badf("findings", i, "%q is no severity", f.Severity)
		}
		if f.Code == "" {
			return badf("findings", i, "it has no code")
		}
		if f.Sector < 0 && f.Sector != disk.NoSector {
			return badf("findings", i, "it is about sector %s", disk.Grouped(f.Sector))
		}
		for _, text := range []string{string(f.Code), f.Text} {
			if why := badText(text); why != "" {
				return badf("findings", i, "a text of it %s", why)
			}
		}
	}
	return nil
}
