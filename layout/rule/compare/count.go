package compare

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Count is a size that a device may count with: the sectors of its disk, of
// which no more than Most count, cut to whole units of Whole sectors. The empty
// Count is the sectors themselves. All numbers of a device, and all places that
// it counts from the end, are taken to follow one and the same counted size.
type Count struct {
	Whole int64 `json:"whole,omitempty"` // sectors of a unit; 0: none
	Most  int64 `json:"most,omitempty"`  // 0: no bound
}

// Of returns how many sectors count of a disk of n sectors.
func (c Count) Of(n disk.Sector) disk.Sector {
	if c.Most > 0 {
		n = min(n, disk.Sector(c.Most))
	}
	if c.Whole > 1 {
		n -= n % disk.Sector(c.Whole)
	}
	return n
}

func (c Count) valid() bool {
	return c.Whole >= 0 && c.Whole != 1 && c.Whole <= 1<<32 && c.Most >= 0 && c.Most <= 1<<60
}

// String writes the counted size as formulas have it.
func (c Count) String() string {
	n := "N"
	if c.Most > 0 {
		n = fmt.Sprintf("min(N, %d)", c.Most)
	}
	if c.Whole > 1 {
		return fmt.Sprintf("%d floor(%s / %d)", c.Whole, n, c.Whole)
	}
	return n
}

// cylinders are the units to which devices cut the size of a disk, and blocks those
// of which it may be whole without anybody's doing, the largest first.
var cylinders, blocks = largestFirst(candidate.Cut), largestFirst(candidate.Block)

func largestFirst(use candidate.Use) []int64 {
	out := candidate.UnitSizes(use)
	slices.Reverse(out)
	return out
}

// walls are sizes beyond which devices are known to count otherwise: 1,024
// cylinders of 16 or 255 heads and 63 sectors, 16,383 and 65,536 of 16 heads, and
// addresses of 28 and 32 bits (common practice, no source).
var walls = []disk.Sector{1024 * 16 * 63, 1024 * 255 * 63, 16383 * 16 * 63, 65536 * 16 * 63, 1 << 28, 1 << 32}

// beyond returns the first wall that a disk of n sectors lies behind and no
// original does, 0 if there is none: what the device does there no original
// shows.
func (r *Rules) beyond(n disk.Sector) disk.Sector {
	if len(r.Sizes) == 0 {
		return 0
	}
	for _, w := range walls {
		if n > w && r.Sizes[len(r.Sizes)-1] <= w {
			return w
		}
	}
	return 0
}

// counts returns the sizes that the device may count with, the likeliest first.
func (r *Rules) counts() []Count {
	if len(r.Counts) == 0 {
		return []Count{{}}
	}
	return r.Counts
}

// Counted returns how many sectors of a disk of n count, by the likeliest of
// what is left.
func (r *Rules) Counted(n disk.Sector) disk.Sector { return r.counts()[0].Of(n) }

// plain tells whether all originals count whole: then they do not tell c from
// the sectors themselves.
func (r *Rules) plain(c Count) bool {
	for _, n := range r.Sizes {
		if c.Of(n) != n {
			return false
		}
	}
	return true
}

// alone returns the rules of a device that counts with c.
func (r *Rules) alone(c Count) *Rules {
	out := *r
	out.Counts = []Count{c}
	return &out
}

// DiffersBy returns, of the sizes that the device may count with, the first of
// each kind that makes another card of n sectors: in its numbers, or in where it
// counts from the end, if fromEnd says that anything lies there.
func (r *Rules) DiffersBy(n disk.Sector, fromEnd bool) (out []Count) {
	for _, c := range r.counts() {
		same := false
		for _, d := range out {
			same = same || r.sameCard(c, d, n, fromEnd)
		}
		if !same {
			out = append(out, c)
		}
	}
	return out
}

// sameCard tells whether two counted sizes make the same card of n sectors.
func (r *Rules) sameCard(c, d Count, n disk.Sector, fromEnd bool) bool {
	if c.Of(n) == d.Of(n) {
		return true
	}
	if fromEnd || r.TailReach() > 0 {
		return false
	}
	for i := range r.Fields {
		a, err1 := r.alone(c).Answer(&r.Fields[i], n)
		b, err2 := r.alone(d).Answer(&r.Fields[i], n)
		if err1 != nil || err2 != nil || !agree(a.Byte, a.Bytes, b.Byte, b.Bytes) {
			return false
		}
	}
	return true
}

// maxCounted is how many sizes are named in one sentence.
const maxCounted = 4

// CountedText says that the originals do not tell with which size the device
// counts, what would, and for which cards it does not matter; "" if it does not
// matter for a card of n sectors. fromEnd is as in DiffersBy.
func (r *Rules) CountedText(n disk.Sector, fromEnd bool) string {
	differ := r.DiffersBy(n, fromEnd)
	if len(differ) < 2 {
		return ""
	}
	var sizes []string
	for i, c := range differ {
		if i == maxCounted {
			sizes = append(sizes, fmt.Sprintf("one of %d others", len(differ)-i))
			break
		}
		sizes = append(sizes, disk.Grouped(c.Of(n)))
	}
	last := len(sizes) - 1
	return fmt.Sprintf("%s whether the device counts %s or %s sectors, they cannot tell.%s",
		r.wholeText(differ), strings.Join(sizes[:last], ", "), sizes[last], r.decidedText(n, differ))
}

// wholeText says why the originals do not tell.
func (r *Rules) wholeText(differ []Count) string {
	unit := int64(0)
	for _, c := range differ {
		if r.plain(c) && (unit == 0 || isCylinder(c.Whole) && (!isCylinder(unit) || c.Whole > unit)) {
			unit = c.Whole
		}
	}
	if unit == 0 || unit == 1 {
		return "The originals leave more than one size that the device may count with:"
	}
	return fmt.Sprintf("All %d originals are %s:", len(r.Sizes), unitsText(unit))
}

func isCylinder(unit int64) bool { return slices.Contains(cylinders, unit) }

func unitsText(unit int64) string {
	switch {
	case unit == 63:
		return "whole tracks of 63 sectors"
	case isCylinder(unit):
		return fmt.Sprintf("whole cylinders of %s sectors", disk.Grouped(unit))
	}
	return fmt.Sprintf("whole units of %s sectors", disk.Grouped(unit))
}

// units returns the number of sectors of which a card on which all counts agree has a
// whole multiple, more than n if there is none, and the largest that divides each count.
func units(differ []Count, n disk.Sector) (whole, part int64) {
	whole = 1
	for _, c := range differ {
		if c.Whole > 1 {
			whole, part = whole/gcd(whole, c.Whole)*c.Whole, gcd(part, c.Whole)
		}
		if whole > int64(n) {
			break
		}
	}
	return whole, part
}

// mostSteps bounds the search of AgreedBelow: by hand, no source.
const mostSteps = 10_000

// AgreedBelow returns a size up to n at which everything that fits the originals makes
// one card: n itself if it does there, else the largest at which all counts come to one
// size, and 0 if there is none. fromEnd is as in DiffersBy.
func (r *Rules) AgreedBelow(n disk.Sector, fromEnd bool) disk.Sector {
	if r.agreedAt(n, fromEnd) {
		return n
	}
	// What all count as one size is a size that each of them leaves as it is; no step can
	// pass over one, as what they count does not fall when a disk grows.
	least := func(x disk.Sector) disk.Sector {
		out := x
		for _, c := range r.counts() {
			out = min(out, c.Of(x))
		}
		return out
	}
	v := least(n)
	for range mostSteps {
		next := least(v)
		if next == v {
			break
		}
		v = next
	}
	at := n
	for _, c := range r.counts() {
		at = min(at, v+max(0, disk.Sector(c.Whole)-1)) // more sectors than these make another unit
	}
	for _, x := range []disk.Sector{at, v} {
		if x > 0 && r.agreedAt(x, fromEnd) {
			return x
		}
	}
	return 0
}

// agreedAt tells whether nothing is left to ask about a card of n sectors.
func (r *Rules) agreedAt(n disk.Sector, fromEnd bool) bool {
	return len(r.DiffersBy(n, fromEnd)) < 2 && r.Likeliest(n).For(n).Undecided == 0
}

// decidedText says for which cards it does not matter, and which original tells.
func (r *Rules) decidedText(n disk.Sector, differ []Count) string {
	whole, part := units(differ, n)
	if whole > int64(n) {
		return ""
	}
	text := ""
	if least := n - n%disk.Sector(whole); whole > 1 {
		text = fmt.Sprintf(" For a card of %s sectors, or of another multiple of %s, it does not matter.",
			disk.Grouped(least), disk.Grouped(whole))
	}
	if part > 1 {
		text += fmt.Sprintf(" One original decides: this card, or another that is no multiple of %s, once the device "+
			"has initialised it.", disk.Grouped(part))
	}
	return text
}
