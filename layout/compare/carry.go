package compare

import (
	"fmt"

	"bootgraft/image"
	"bootgraft/layout"
)

// pointer looks at what an address counted from the end points to, on the
// source and on the card. It may be a length, so only what looks like the start
// of something stands in the way: data behind a blank sector. What the rules
// carry along with the tail is where the address says.
func (a *applier) pointer(f *Field, old, now uint64) error {
	if now >= uint64(a.n) {
		return refuse("rules-pointer-falls-off", "%s would point to sector %d of a card of %d", f.Place, now, a.n)
	}
	at := layout.Sector(old)
	if a.old == a.n || at < 1 || at >= a.old-a.r.Tail {
		return nil
	}
	pair := layout.Span{Start: at - 1, Count: 2}
	if len(image.Unknown(a.src, pair)) > 0 {
		return nil // a kit holds no more than its areas
	}
	b, err := image.ReadSectors(a.src, pair)
	if err != nil {
		return fmt.Errorf("reading what %s points to: %w", f.Place, err)
	}
	if before, there := b[:a.r.SectorSize], b[a.r.SectorSize:]; blank(before) && !blank(there) {
		a.out.Findings = append(a.out.Findings, layout.Refusalf("rules-pointer-target-moves", f.Place.At(a.n),
			"%s points to sector %d of the source, where something starts, and would point to sector %d of the card; the tail that is carried begins %d sectors before the end, after it. Compare longer tails, or accept it if this is a length and no address",
			f.Place, old, now, a.r.Tail))
	}
	return nil
}

// carried says which bytes without a rule the card takes from the source.
func (a *applier) carried() error {
	count := map[Class]int{}
	first := map[Class]Place{}
	for _, s := range a.r.Carried {
		if count[s.Class] == 0 {
			first[s.Class] = s.Place
		}
		count[s.Class] += s.Count
	}
	for _, c := range []struct {
		class Class
		text  string
	}{
		{Identity, "the card passes for the unit of the source, which matters only if both are used at once"},
		{Volatile, "the device sets them itself"},
		{Content, "they are the owner's data, or too different to be understood"},
	} {
		if n := count[c.class]; n > 0 {
			a.out.Findings = append(a.out.Findings, layout.Notef("rules-carried-"+string(c.class), first[c.class].At(a.n),
				"%d bytes of the class %q, the first at %s, are as the source has them: %s", n, c.class, first[c.class], c.text))
		}
	}
	if n := count[Unknown]; n > 0 {
		a.out.Findings = append(a.out.Findings, layout.Warningf("rules-carried-unknown", first[Unknown].At(a.n),
			"%d bytes that differ between the originals and have no rule, the first at %s, are as the source has them. If the device refuses the card, these are the first suspects; two originals of one size tell whether they belong to the unit", n, first[Unknown]))
	}
	return nil
}
