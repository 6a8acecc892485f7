package card

import (
	"fmt"

	"bootgraft/image"
	"bootgraft/layout/plan"
)

// Mismatch is what of a source differs from what a plan was made for.
type Mismatch string

// The ways in which a source can differ.
const (
	OtherSize       Mismatch = "sectors"
	OtherSectorSize Mismatch = "sector size"
	OtherMeaning    Mismatch = "meaning" // bytes on which the plan rests
)

// StaleError says that a source is not the one that a plan was made for.
type StaleError struct {
	What Mismatch
	Want string // as the plan has it: a number, or a digest
	Have string // as the source has it
}

func (e *StaleError) Error() string {
	switch e.What {
	case OtherMeaning:
		return fmt.Sprintf("the plan was made for another source, or the source was changed since: "+
			"the sectors on which the plan rests have the check number %s, not %s. Plan again", e.Have, e.Want)
	default:
		return fmt.Sprintf("the plan was made for another source: %s %s, not %s", e.What, e.Have, e.Want)
	}
}

// Stale returns nil if src still is the source that the plan was made for: it
// has the same size, and every sector on which the plan rests has the same
// bytes. Otherwise the error is a StaleError, or says which of these sectors
// cannot be read. Odd bytes after the last whole sector do not count.
func Stale(p *plan.Plan, src image.Source) error {
	if err := checkSize(p, src); err != nil {
		return err
	}
	have, err := plan.MeaningDigest(src, src.SectorSize(), p.Source.Meaning)
	if err != nil {
		return fmt.Errorf("comparing the source with the plan: %w", err)
	}
	if have != p.Source.Digest {
		return &StaleError{OtherMeaning, p.Source.Digest, have}
	}
	return nil
}

func checkSize(p *plan.Plan, src image.Source) error {
	if have, want := src.SectorSize(), p.Source.SectorSize; have != want {
		return &StaleError{OtherSectorSize, fmt.Sprint(want), fmt.Sprint(have)}
	}
	if have, want := image.Sectors(src), p.Source.Sectors; have != want {
		return &StaleError{OtherSize, fmt.Sprint(want), fmt.Sprint(have)}
	}
	return nil
}
