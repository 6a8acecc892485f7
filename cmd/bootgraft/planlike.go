package main

import (
	"context"
	"encoding/binary"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/plan/fit"
	"bootgraft/layout/table/gpt"
)

// chosen are the flags of plan that are decisions: what they say is remembered in the
// plan, and --like makes them again. The others name files and sizes.
var chosen = []string{
	"accept", "align", "bad-marks", "device-limit", "device-sees", "empty-volume", "excess", "fat-slack", "free",
	"identity", "move", "new-ids", "pin", "reserve", "rules", "set-heads", "tail", "try", "volume",
}

// begin finds out what is planned, and by which decisions.
func (f *planFlags) begin(c *cobra.Command, u *talk.UI, args []string) error {
	if f.newIDs && f.identity != "" {
		return talk.Usagef("--new-ids draws identifiers, and --identity keeps those of a unit: give one of them")
	}
	path := ""
	if f.like != "" {
		var err error
		if path, err = f.takeLike(c, u); err != nil {
			return err
		}
	}
	if len(args) > 0 {
		path = args[0]
	}
	if path == "" && f.like == "" {
		return talk.Usagef("plan wants the SOURCE that is mapped onto a card: bootgraft plan old.img --size N -o card.plan")
	}
	if path == "" {
		return talk.Refusef("the source of %s is not where it was, nor beside the plan; give it: bootgraft plan "+
			"SOURCE --like %s", f.like, words.Shell(f.like))
	}
	return f.run(c, u, path)
}

// choices are the decisions that were typed, or taken over.
func choices(c *cobra.Command) (out []string) {
	c.Flags().Visit(func(fl *pflag.Flag) { // in the order of their names
		if !slices.Contains(chosen, fl.Name) {
			return
		}
		values := []string{fl.Value.String()}
		if list, ok := fl.Value.(pflag.SliceValue); ok {
			values = list.GetSlice()
		}
		for _, v := range values {
			out = append(out, fl.Name+"="+v)
		}
	})
	return out
}

// takeLike takes over the decisions of another plan, but for those that were typed, and
// returns its source.
func (f *planFlags) takeLike(c *cobra.Command, u *talk.UI) (source string, err error) {
	if f.likePlan, source, err = input.PlanAndSource(f.like); err != nil {
		return "", err
	}
	typed := map[string]bool{}
	c.Flags().Visit(func(fl *pflag.Flag) { typed[fl.Name] = true })
	// Of the two ways to other identifiers the one that is typed overrules both.
	other := typed["identity"] || typed["new-ids"]
	typed["identity"], typed["new-ids"] = other, other
	for _, choice := range f.likePlan.Choices {
		name, value, _ := strings.Cut(choice, "=")
		if !slices.Contains(chosen, name) {
			return "", talk.Refusef("%s was made with --%s, which this program does not know as a decision; plan anew", f.like,
				name)
		}
		if typed[name] {
			continue
		}
		if err := c.Flags().Set(name, value); err != nil {
			return "", talk.Refusef("%s was made with --%s %s: %v", f.like, name, value, err)
		}
	}
	// An image does not say how long its sectors are, and the plan does.
	size := strconv.Itoa(f.likePlan.Source.SectorSize)
	if !typed["sector-size"] && size != c.Flag("sector-size").DefValue {
		if err := c.Flags().Set("sector-size", size); err != nil {
			return "", err
		}
	}
	if all := choices(c); len(all) > 0 {
		u.Sayf("Decided as in %s: --%s", f.like, strings.ReplaceAll(strings.Join(all, " --"), "=", " "))
	}
	return source, nil
}

// sayUnlike says in what a plan differs from the one whose decisions it has.
func (f *planFlags) sayUnlike(u *talk.UI, p *plan.Plan) {
	if f.likePlan != nil {
		page.Unlike(u, f.like, f.likePlan, p)
	}
}

// identityOf reads what tells the unit FROM from others, to keep it on a card that is
// made from another unit.
func (f *planFlags) identityOf(ctx context.Context, u *talk.UI, s *layout.Map) (*fit.NewIDs, error) {
	from, err := input.OpenSource(f.identity, input.SourceFlags{SectorSize: s.SectorSize, Shows: true, Bar: u.Bar})
	if err != nil {
		return nil, err
	}
	defer from.Close()
	m, err := from.Survey(ctx, u)
	if err != nil {
		return nil, err
	}
	if m.Table != s.Table || !m.Readable("mbr") && !m.Readable("gpt") {
		return nil, talk.Refusef("%s has the table %s, and the source the table %s: there are no identifiers that could "+
			"be taken over", f.identity, m.Table, s.Table)
	}
	b, err := image.ReadSector(from, 0)
	if err != nil {
		return nil, fmt.Errorf("the identifier of %s stands in sector 0, which cannot be read: %w", f.identity, err)
	}
	ids := &fit.NewIDs{DiskID: binary.LittleEndian.Uint32(b[440:])} // UEFI Specification 1.02, table 16-5
	if !s.Readable("gpt") {
		return ids, nil
	}
	t, err := gpt.Read(from)
	if err != nil {
		return nil, err
	}
	ids.GPT = t.IDs()
	for _, e := range s.Entries {
		if _, ok := ids.GPT.Entries[e.Index]; !ok || len(ids.GPT.Entries) != len(s.Entries) {
			return nil, talk.Refusef("%s has %d entries, and the source %d: their identifiers do not fit each other", f.identity,
				len(ids.GPT.Entries), len(s.Entries))
		}
	}
	return ids, nil
}

// identityFinding warns of what stays that of the unit which is copied.
func (f *planFlags) identityFinding() disk.Finding {
	return disk.Warningf(disk.FromAnotherDrive, disk.NoSector,
		"the identifiers of the table are those of %s, and all else is the unit that is copied: serial numbers, pairing "+
			"codes and the "+
			"parameters of a machine belong to one unit each. Set them on the device, or carry them over from "+
			"its own drive", f.identity)
}
