package page

import (
	"fmt"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/layout/plan/offer"
)

// Offer says what would become of a drive on cards of several sizes. ruled tells whether
// rules of the model were given, by a file of that name or by a kit, and again is what was typed,
// for a size that is still to be filled in.
func Offer(u *talk.UI, sizes []string, o *offer.Offer, ruled bool, again string) {
	everyOne := ofAll(o, ruled)
	u.Answerf("%-8s %14s %-8s %11s %11s %8s %-7s %6s\n", "card", "sectors", "", "moved", "left behind", "missing", "head",
		"spare")
	for i := range o.Cards {
		c := &o.Cards[i]
		state := "fits"
		switch {
		case !c.Fits:
			state = "NO"
		case len(c.Asks) > 0:
			state = "only if"
		}
		u.Answerf("%-8s %14s %s", words.Printable(words.Cut(sizes[i], 8)), disk.Grouped(c.Disk.Sectors), state)
		if c.Fits {
			head := "same"
			if c.Head > 0 {
				head = "changed"
			}
			u.Answerf("%*s %11s %11s %8s %-7s %6s", 8-len(state), "", disk.Grouped(c.Moved), disk.Grouped(c.Dropped),
				disk.Grouped(c.Missing), head, spareText(c))
		}
		u.Answerf("\n")
		for _, line := range offerLines(c, o.Accepting, ruled) {
			if !slices.Contains(everyOne, line) {
				u.Wrapped(strings.Repeat(" ", 24), line)
			}
		}
	}
	u.Answerf("\n")
	for _, line := range everyOne {
		u.Wrapped("All that fit: ", line)
	}
	u.Wrapped("", "Moved: sectors that get another place on the card. Left behind: sectors of the drive that get none. "+
		"Missing: sectors that could not be read. Head: whether everything before the first volume is as "+
		"on the drive, where boot code looks. "+
		"Spare: how much smaller than its label the card may be, and still do.")
	u.Wrapped("", smallestText(o))
	u.Wrapped("", "A size as printed on a package is never that of a real card: cards of one label differ by "+
		"some per cent. "+
		"Read the number of sectors from the card at hand before you plan it.")
	if o.Best >= 0 {
		c := &o.Cards[o.Best]
		u.Next(fmt.Sprintf("Of these, take %s. Next, with the number of sectors of the real card:",
			words.Printable(sizes[o.Best])), again+" -o card.plan"+acceptCodes(c.Asks))
	}
}

// ofAll are the lines that hold of every card that fits, where there are several: they are
// said once.
func ofAll(o *offer.Offer, ruled bool) (lines []string) {
	n := 0
	for i := range o.Cards {
		c := &o.Cards[i]
		if !c.Fits {
			continue
		}
		these := offerLines(c, o.Accepting, ruled)
		if n++; n == 1 {
			lines = these
		}
		lines = slices.DeleteFunc(lines, func(s string) bool { return !slices.Contains(these, s) })
	}
	if n < 2 {
		return nil
	}
	return lines
}

// offerLines are what a card asks for, why it cannot be, and which limits it crosses.
func offerLines(c *offer.Card, least disk.Sector, ruled bool) (out []string) {
	switch {
	case c.Fits:
	case least > c.Disk.Sectors:
		out = append(out, disk.Counted(least-c.Disk.Sectors, "sector")+" too small")
	case len(c.Why) > 0:
		out = append(out, c.Why[0].Text)
	}
	if c.Try {
		out = append(out, "the first of several tries: not all that may follow the size is proved")
	}
	if c.Fits && len(c.Asks) > 0 {
		out = append(out, "you accept "+codeList(c.Asks))
	}
	if c.Fits && c.Head > 0 {
		out = append(out, disk.Counted(c.Head, "sector")+" before the first volume made new or not as on the drive")
	}
	switch {
	case !ruled || !c.Fits:
	case c.Agreed == c.Disk.Sectors:
		out = append(out, "every reading of the rules agrees on this size")
	case c.Agreed > 0:
		out = append(out, fmt.Sprintf("the readings of the rules do not agree on this size; on one of %s they do",
			disk.Counted(c.Agreed, "sector")))
	default:
		out = append(out, "the readings of the rules do not agree on this size")
	}
	for _, f := range c.Walls {
		out = append(out, fmt.Sprintf("crosses %s at sector %s (bootgraft help %s)", f.Code, disk.Grouped(f.Sector), f.Code))
	}
	return out
}

// spareText is how much smaller a card may be, in whole per cent.
func spareText(c *offer.Card) string {
	return fmt.Sprintf("%d %%", 100*c.Spare/max(1, c.Disk.Sectors))
}

func smallestText(o *offer.Offer) string {
	switch {
	case o.Smallest > 0 && o.Accepting > 0 && o.Accepting < o.Smallest:
		return fmt.Sprintf("The smallest card that would do has %s; with everything accepted that would be asked, %s.",
			disk.Counted(o.Smallest, "sector"), disk.Grouped(o.Accepting))
	case o.Smallest > 0 && slices.ContainsFunc(o.Cards, func(c offer.Card) bool { return len(c.Asks) > 0 }):
		return fmt.Sprintf("The smallest card that would do, with what it asks for accepted, has %s.",
			disk.Counted(o.Smallest, "sector"))
	case o.Smallest > 0:
		return fmt.Sprintf("The smallest card that would do has %s.", disk.Counted(o.Smallest, "sector"))
	case o.Accepting > 0:
		return fmt.Sprintf("The smallest card that would do, with everything accepted that would be asked, has %s.",
			disk.Counted(o.Accepting, "sector"))
	}
	return "It is not the size that stands against a card."
}
