package page

import (
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/safety"
)

// Differences lists what is not on a card as it is planned.
func Differences(u *talk.UI, c *safety.Comparison) {
	u.Answerf("\n%13s %5s  %-8s %-17s %s\n", "sector", "byte", "", "why", "wanted / found")
	for _, d := range c.Differences {
		u.Answerf("%13s %5d  %-8s %-17s %s\n%48s%s\n", disk.Grouped(d.Sector), d.Offset, opWords[d.Op], d.Why, d.Want, "", d.Have)
		if d.Note != "" {
			u.Wrapped("                         ", d.Note)
		}
	}
	if more := c.Unequal - disk.Sector(len(c.Differences)); more > 0 {
		u.Answerf("%13s ... and %s more (--limit)\n", "", disk.Grouped(more))
	}
	u.Answerf("\n")
	for _, op := range []layout.Op{layout.Copy, layout.Render, layout.Zero} {
		if n := c.ByOp[op]; n > 0 {
			u.Answerf("  differ that should be %s: %s\n", opWords[op], disk.Counted(n, "sector"))
		}
	}
	for _, n := range c.Notes {
		u.Wrapped("  ", n)
	}
}
