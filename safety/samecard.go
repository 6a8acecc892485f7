package safety

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/receipt"
)

// A serial number does not tell one card from another: behind a USB reader it
// is the reader's. What does tell is what the card holds, and by what it can be
// known depends on how far the work had come.

// cardOf judges whether a card is the one of a receipt.
type cardOf struct{ *receipt.Receipt }

// headIs is what sector 0 shows.
type headIs int

const (
	headBlank   headIs = iota // also if the work leaves sector 0 as it is
	headOld                   // what the receipt kept
	headNew                   // what the plan has
	headTorn                  // half of one of them, half blank
	headForeign               // anything else
	heads
)

// markIs is what the sector of the mark shows.
type markIs int

const (
	markOurs  markIs = iota
	markNone         // what lies there without the mark, or a torn mark
	markOther        // anything else: the mark of another receipt too
	marks
)

// outcome is what the table decides.
type outcome int

const (
	another  outcome = iota // refuse: it is another card
	changed                 // refuse: it is this card, and something was written to it since
	anew                    // the card of the receipt is untouched: the receipt is made again
	goOn                    // it is this card
	ifKept                  // this card, if the fence holds what was kept; its owner is asked as for a new one
	ifPlan                  // this card, if its tables are as planned
	finished                // as ifPlan; and all of it has to be as planned before anything is written
)

// sameCard is the one table: proof, sector 0, mark.
//
// Power can be lost at any moment: a sector that was being written is old, new
// or torn. Sector 0 is blanked and flushed before the mark is written, and the
// mark is on the medium before the receipt says so; then the rest of the fence.
// At the end the planned content replaces the mark, is flushed, and then sector
// 0. So with ours the sector 0 is blank, unless the card lost a write that it
// said it had: what it then holds is still known here. A receipt by which nothing
// was written has lost its end if the card bears its mark: it is the only way back.
var sameCard = [receipt.Proofs][heads][marks]outcome{
	receipt.Untouched: {
		headBlank:   {goOn, anew, anew},
		headOld:     {goOn, anew, anew},
		headNew:     {goOn, anew, anew},
		headTorn:    {goOn, anew, anew},
		headForeign: {changed, anew, anew},
	},
	receipt.ByKept: {
		headBlank:   {goOn, ifKept, another},
		headOld:     {goOn, ifKept, another},
		headNew:     {goOn, another, another},
		headTorn:    {goOn, ifKept, another},
		headForeign: {changed, another, another},
	},
	receipt.ByMark: {
		headBlank:   {goOn, another, another},
		headOld:     {goOn, another, another},
		headNew:     {goOn, another, another},
		headTorn:    {goOn, another, another},
		headForeign: {changed, another, another},
	},
	receipt.ByPlan: {
		headBlank:   {goOn, ifPlan, another},
		headOld:     {goOn, another, another},
		headNew:     {goOn, finished, another},
		headTorn:    {goOn, ifPlan, another},
		headForeign: {changed, another, another},
	},
}

// judgement is what a receipt says of a card that may be its own.
type judgement struct {
	outcome
	proved bool // by the mark or the plan
	lost   bool // another, but it may be the card of the receipt with the sector of its mark lost
	reason string
}

// judge reads what the table asks for from the card.
func (r cardOf) judge(dev image.Source) (judgement, error) {
	if r.Kind != receipt.Write {
		return r.judgeTested(dev)
	}
	if r.New == nil {
		return judgement{outcome: another, reason: "the receipt is of an older form, without a mark, and by it no card can " +
			"be told from an equal one"}, nil
	}
	kept, err := r.Open()
	if err != nil {
		return judgement{}, err
	}
	defer kept.Close()
	head, err := r.headOf(dev, kept)
	if err != nil {
		return judgement{}, err
	}
	mark, err := r.markOn(dev, kept)
	if err != nil {
		return judgement{}, err
	}
	j := judgement{outcome: sameCard[r.Proof][head][mark]}
	j.proved = mark == markOurs
	switch j.outcome {
	case another:
		j.reason = r.whyAnother(head, mark)
		j.lost, err = r.lostMark(dev, head)
		return j, err
	case changed:
		j.reason = "it bears the mark of the receipt, and since then something else was written to its sector 0"
	case ifKept:
		return r.confirm(j, "its fence holds something else than was kept",
			func() (bool, error) { return r.holdsKept(dev, kept) })
	case ifPlan, finished:
		j.proved = true
		return r.confirm(j, "its tables are not those that were written", func() (bool, error) { return r.holdsTables(dev) })
	}
	return j, nil
}

// lostMark tells whether a card that does not bear the mark could bear it but
// for one lost sector: it is fenced, and by no other receipt. So is a card that
// was never written to.
func (r cardOf) lostMark(dev image.Source, head headIs) (bool, error) {
	b, err := image.ReadSectors(dev, receipt.MarkSector(r.Disk()))
	_, others := receipt.MarkIn(b)
	return head == headBlank && !others, err
}

func (r cardOf) confirm(j judgement, otherwise string, holds func() (bool, error)) (judgement, error) {
	ok, err := holds()
	if !ok {
		j = judgement{outcome: another, reason: otherwise}
	}
	return j, err
}

func (r cardOf) whyAnother(h headIs, m markIs) string {
	switch {
	case m == markOther && r.Proof != receipt.ByPlan:
		return fmt.Sprintf(
			"where the mark of the receipt should be, in sector %s, it holds something else (if you know that it "+
				"is this very card, that sector is bad: use another card)",
			disk.Grouped(receipt.MarkSector(r.Disk()).Start))
	case r.Proof == receipt.ByMark:
		return "it does not bear the mark of the receipt"
	case h == headNew:
		return fmt.Sprintf("its sector 0 is as the work left it, and sector %s, where the mark was, is not",
			disk.Grouped(receipt.MarkSector(r.Disk()).Start))
	case m == markNone:
		return fmt.Sprintf("sector %s, where the mark was, is as the work left it, and its sector 0 is not",
			disk.Grouped(receipt.MarkSector(r.Disk()).Start))
	}
	return "neither its sector 0 nor the place of the mark is as the work left it"
}

func (r cardOf) headOf(dev, kept image.Source) (headIs, error) {
	if len(r.New.Sector0) == 0 {
		return headBlank, nil
	}
	sector0 := disk.Span{Count: 1}
	have, err := image.ReadSectors(dev, sector0)
	if err != nil {
		return 0, err
	}
	old, err := image.ReadSectors(kept, sector0)
	if err != nil {
		return 0, err
	}
	zero := make([]byte, len(have))
	isNew := bytes.Equal(have, r.New.Sector0)
	switch { // where two of them are the same the first counts: at the end the new one may be blank
	case isNew && r.Proof == receipt.ByPlan:
		return headNew, nil
	case isFilled(have, 0):
		return headBlank, nil
	case bytes.Equal(have, old):
		return headOld, nil
	case isNew:
		return headNew, nil
	case torn(have, old, zero) && r.Proof != receipt.ByPlan, torn(have, zero, r.New.Sector0) && r.Proof != receipt.ByKept:
		return headTorn, nil
	}
	return headForeign, nil
}

func (r cardOf) markOn(dev, kept image.Source) (markIs, error) {
	at := receipt.MarkSector(r.Disk())
	have, err := image.ReadSectors(dev, at)
	if err != nil {
		return 0, err
	}
	ours := r.Mark.Sector(len(have))
	if bytes.Equal(have, ours) {
		return markOurs, nil
	}
	without := r.New.Mark
	if r.Proof != receipt.ByPlan {
		if without, err = image.ReadSectors(kept, at); err != nil {
			return 0, err
		}
	}
	noted := len(r.Differ.Within(at)) > 0 // the card was seen not to give this sector back
	_, others := receipt.MarkIn(have)
	if torn(have, without, ours) || noted && !others && r.Proof == receipt.ByKept {
		return markNone, nil
	}
	return markOther, nil
}

// holdsKept tells whether everything that was kept is still there, or there
// again, but for sector 0 and the mark.
func (r cardOf) holdsKept(dev, kept image.Source) (bool, error) {
	return equalOn(dev, kept, without(r.Kept, disk.Span{Count: 1}, receipt.MarkSector(r.Disk())))
}

// equalOn compares sectors of two sources.
func equalOn(a, b image.Source, spans disk.Spans) (bool, error) {
	x, y := make([]byte, receipt.Chunk), make([]byte, receipt.Chunk)
	n := int64(a.SectorSize())
	for _, s := range spans {
		for off, end := int64(s.Start)*n, int64(s.End())*n; off < end; off += receipt.Chunk {
			k := min(receipt.Chunk, end-off)
			if err := errors.Join(image.ReadFull(a, x[:k], off), image.ReadFull(b, y[:k], off)); err != nil {
				return false, err
			}
			if !bytes.Equal(x[:k], y[:k]) {
				return false, nil
			}
		}
	}
	return true, nil
}

// holdsTables tells whether first and second copies are as planned.
func (r cardOf) holdsTables(dev image.Source) (bool, error) {
	sum, err := digestOf(dev, r.New.Tables, nil)
	return sum == r.New.SHA256, err
}

// digestOf is the SHA-256 of sectors of a source, in card order. Those that
// are zeros by plan are not read.
func digestOf(src image.Source, spans, blank disk.Spans) (string, error) {
	h := sha256.New()
	n := int64(src.SectorSize())
	buf := make([]byte, receipt.Chunk)
	for _, s := range spans {
		for _, part := range cut(s, blank) {
			for off, end := int64(part.Start)*n, int64(part.End())*n; off < end; off += receipt.Chunk {
				b := buf[:min(receipt.Chunk, end-off)]
				if len(common(disk.NewSpans(part), blank)) > 0 {
					clear(b)
				} else if err := image.ReadFull(src, b, off); err != nil {
					return "", err
				}
				_, _ = io.Writer(h).Write(b) // a hash never fails
			}
		}
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// mostStamps is how many places are looked at for the stamp of a test: more than the
// quick test writes (see probes), so that each of those is looked at.
const mostStamps = 512

// judgeTested knows a card on which a test was broken off by the stamps that
// the test left there: each begins with the mark of its receipt.
func (r cardOf) judgeTested(dev image.Source) (judgement, error) {
	if r.Mark == (receipt.Mark{}) {
		return judgement{outcome: another, reason: "the receipt is of an older form, without a mark, and by it no card can " +
			"be told from an equal one"}, nil
	}
	stamped, err := r.isStamped(dev)
	switch {
	case err != nil:
		return judgement{}, err
	case stamped:
		return judgement{outcome: goOn, proved: true}, nil
	case r.Proof == receipt.Untouched:
		return judgement{outcome: anew}, nil
	}
	return judgement{outcome: another, reason: "it holds no stamp of the test: either it is another card, or " +
		"nothing has " +
		"to be put back"}, nil
}

// isStamped looks for a stamp of the test.
func (r cardOf) isStamped(dev image.Source) (bool, error) {
	step := max(1, r.Kept.Sectors()/mostStamps)
	passed := disk.Sector(0)
	for _, s := range r.Kept {
		for at := (step - passed%step) % step; at < s.Count; at += step {
			b, err := image.ReadSectors(dev, disk.Span{Start: s.Start + at, Count: 1})
			if err != nil {
				return false, err
			}
			if bytes.HasPrefix(b, r.Mark[:]) {
				return true, nil
			}
		}
		passed += s.Count
	}
	return false, nil
}

// wasBegun tells whether a card bears what only the work of the receipt puts there, its
// mark or a stamp, although the receipt ends before the line that would say so.
func (r cardOf) wasBegun(dev image.Source) (bool, error) {
	if r.Kind != receipt.Write {
		return r.isStamped(dev)
	}
	m, ok, err := receipt.MarkOf(dev)
	return ok && m == r.Mark, err
}

// Proves tells whether the card is known, by its mark or by its tables, to be
// the one on which the work of the receipt did not come to its end.
func Proves(r *receipt.Receipt, card image.Source) bool {
	if r.Digest == "" || r.Finished() || r.Card.Sectors != image.Sectors(card) || r.Card.SectorSize != card.SectorSize() {
		return false
	}
	j, err := cardOf{r}.judge(card)
	return err == nil && j.proved && j.outcome != another && j.outcome != changed
}

// where says which card the work of the receipt was on, and where it stopped.
func (r cardOf) where() string {
	text := fmt.Sprintf("the work of %s was on %s (then %s)", r.Path, r.Card, r.Node)
	if r.Finished() {
		return text + ", and came to its end"
	}
	text += fmt.Sprintf(" and stopped on %s at: %s", r.Last.UTC().Format("2 January 2006, 15:04 UTC"), r.Stage)
	if r.Upto > 0 {
		text += ", with the data before sector " + decimal(r.Upto) + " on it"
	}
	return text
}

// torn tells whether b may be what a power cut left of a write of one sector
// over another: each byte is the one or the other.
func torn(b, over, written []byte) bool {
	if len(b) != len(over) || len(b) != len(written) {
		return false
	}
	for i := range b {
		if b[i] != over[i] && b[i] != written[i] {
			return false
		}
	}
	return true
}
