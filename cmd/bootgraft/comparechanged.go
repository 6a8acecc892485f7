package main

import (
	"encoding/hex"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/scan/diff"
)

// changed says what a device did to a card.
func (f *compareFlags) changed(c *cobra.Command, u *talk.UI) error {
	before, drive, err := f.openBefore()
	if err != nil {
		return err
	}
	defer before.Close()
	after, err := input.OpenSource(f.after, f.sourceFlags(before.SectorSize()))
	if err != nil {
		return err
	}
	defer after.Close()
	before.SayDamage(u)
	after.SayDamage(u)
	was, err := runSurvey(c, u, before)
	if err != nil {
		return err
	}
	if image.Sectors(before) == image.Sectors(after) {
		// What the plan did not touch is not its own: whatever lies there says nothing.
		after.Source = image.NewKnown(after.Source, image.Unknown(before, image.Whole(before)), nil)
	}
	is, err := runSurvey(c, u, after)
	if err != nil {
		return err
	}
	progress, finish := u.Bar("comparing")
	size := int64(before.SectorSize())
	opt := diff.Options{Progress: func(done, total disk.Sector) { progress(int64(done)*size, int64(total)*size) }}
	if drive != nil {
		opt.Drive = image.Sectors(drive)
	}
	r, err := diff.Compare(c.Context(), diff.Disk{Source: before, Survey: was}, diff.Disk{Source: after, Survey: is}, opt)
	finish()
	var sizes *diff.SizeError
	if errors.As(err, &sizes) {
		return talk.Refusef("%w. Read the whole card back into an image", err)
	}
	if err != nil {
		return err
	}
	next := f.nextOriginal(r, drive, before.SectorSize())
	if u.JSON {
		return u.Object(document.KindChanged, f.changedJSON(r, next))
	}
	page.Changed(u, f.before, f.after, r, next)
	return nil
}

// nextOriginal is the command that compares a card which the device has
// initialised with the drive that it was planned from; empty where there is no
// such pair.
func (f *compareFlags) nextOriginal(r *diff.Report, drive *input.Source, sectorSize int) string {
	if !r.Original || drive == nil || image.Sectors(drive) == r.Sectors {
		return ""
	}
	size := input.SourceFlags{SectorSize: sectorSize, Accept: f.accept}
	return fmt.Sprintf("bootgraft compare %s %s%s", words.Shell(drive.Path), words.Shell(f.after), size.Words())
}

// openBefore opens the planned card, or an image; drive is the source of the
// plan.
func (f *compareFlags) openBefore() (before, drive *input.Source, err error) {
	if !input.IsPlanFile(f.before) {
		if f.source != "" {
			return nil, nil, talk.Usagef("--source goes with --before PLAN, and %s is no plan", f.before)
		}
		before, err = input.OpenSource(f.before, f.sourceFlags(f.sectorSize))
		return before, nil, err
	}
	j, err := input.OpenJob(f.before, input.PlanSourceFlags{Source: f.source, Accept: f.accept, Command: f.command, Bar: f.bar})
	if err != nil {
		return nil, nil, err
	}
	before = &input.Source{Source: j.Card, Path: f.before, Files: j.Files, Close: func() error { j.Close(); return nil }}
	return before, j.Src, nil
}

type changedJSON struct {
	Schema   int                 `json:"schema"`
	Before   string              `json:"before"`
	After    string              `json:"after"`
	Sectors  disk.Sector         `json:"sectors"`
	Compared disk.Sector         `json:"compared_sectors"`
	Changed  disk.Sector         `json:"changed_sectors"`
	Kinds    []diff.Kind         `json:"kinds"`
	Text     []string            `json:"text"`
	Regions  []changedRegionJSON `json:"regions"`
	Files    *diff.FileChanges   `json:"files"`
	Readings []readingJSON       `json:"readings"`
	Renewed  []renewedJSON       `json:"checksums"`
	Copies   []copiedJSON        `json:"copies"`
	Volumes  []madeVolumeJSON    `json:"new_volumes"`
	Findings []disk.Finding      `json:"findings"`
	Original bool                `json:"original"`       // an original for `compare`
	Next     string              `json:"next,omitempty"` // the command that compares it
}

// readingJSON is a number about the size of the disk in bytes that changed.
type readingJSON struct {
	Sector     disk.Sector        `json:"sector"`
	Byte       int                `json:"byte"`
	Width      int                `json:"width"`
	Encoding   candidate.Encoding `json:"encoding"`
	Value      uint64             `json:"value"`
	Meaning    string             `json:"meaning"`
	Also       []string           `json:"alternatives"`
	Was        *uint64            `json:"was"` // null: no number
	WasMeaning string             `json:"was_meaning,omitempty"`
	WasDrive   bool               `json:"was_of_source"`
	Copied     bool               `json:"copied"` // from another sector
	ByChance   float64            `json:"expected_by_chance"`
	State      string             `json:"state"` // proved, undecided
}

type renewedJSON struct {
	Sector   disk.Sector        `json:"sector"`
	Byte     int                `json:"byte"`
	Width    int                `json:"width"`
	Encoding candidate.Encoding `json:"encoding"`
	Sum      string             `json:"sum"`
	Over     disk.Sector        `json:"over_sector"`
	From     int                `json:"over_byte"`
	Count    int64              `json:"over_bytes"`
	Right    bool               `json:"right_before"`
	ByChance float64            `json:"expected_by_chance"`
}

type copiedJSON struct {
	Sector disk.Sector `json:"sector"`
	Of     disk.Sector `json:"of"`
	Order  string      `json:"order"`
	Bytes  int         `json:"changed_bytes"`
}

type madeVolumeJSON struct {
	Index int `json:"index"`
	disk.Span
	Kind  string `json:"volume_kind"`
	Maker string `json:"maker"`
	Lost  int    `json:"files_gone"`
}

type changedRegionJSON struct {
	disk.Span
	Role     layout.Role         `json:"role"`
	Name     string              `json:"name"`
	Changed  disk.Sector         `json:"changed_sectors"`
	Bytes    int64               `json:"changed_bytes"`
	Unknown  disk.Sector         `json:"not_compared_sectors"`
	Restored disk.Sector         `json:"from_other_end_sectors"`
	Numbers  []changedNumberJSON `json:"changes"`
}

type changedNumberJSON struct {
	Sector disk.Sector `json:"sector"`
	Offset int         `json:"offset"`
	Was    string      `json:"was"`
	Is     string      `json:"is"`
}

func (f *compareFlags) changedJSON(r *diff.Report, next string) changedJSON {
	j := changedJSON{
		Schema: schema, Before: f.before, After: f.after, Sectors: r.Sectors, Compared: r.Compared, Changed: r.Changed,
		Kinds: r.Kinds, Files: &r.Files, Readings: []readingJSON{}, Renewed: []renewedJSON{}, Copies: []copiedJSON{},
		Volumes: []madeVolumeJSON{}, Findings: append([]disk.Finding{}, r.Findings...), Original: r.Original, Next: next,
	}
	for _, k := range r.Kinds {
		j.Text = append(j.Text, page.KindTexts[k])
	}
	for _, g := range r.Regions {
		x := changedRegionJSON{g.Span, g.Role, g.Name, g.Changed, g.Bytes, g.Unknown, g.Restored, []changedNumberJSON{}}
		for _, n := range g.Numbers {
			x.Numbers = append(x.Numbers, changedNumberJSON{n.Sector, n.Byte, hex.EncodeToString(n.Was), hex.EncodeToString(n.Is)})
		}
		j.Regions = append(j.Regions, x)
	}
	for _, x := range r.Readings {
		j.Readings = append(j.Readings, readingObject(x))
	}
	for _, x := range r.Renewed {
		j.Renewed = append(j.Renewed, renewedJSON{x.Sector, x.Byte, x.Width, x.Encoding, x.Sum, x.Over, x.From, x.Count, x.Right, x.ByChance})
	}
	for _, x := range r.Copies {
		j.Copies = append(j.Copies, copiedJSON{x.Sector, x.Of, x.Order.String(), x.Bytes})
	}
	for _, x := range r.Volumes {
		j.Volumes = append(j.Volumes, madeVolumeJSON{x.Index, x.Span, x.Kind, x.Maker, x.Lost})
	}
	return j
}

func readingObject(r diff.Reading) readingJSON {
	j := readingJSON{
		Sector: r.Sector, Byte: r.Byte, Width: r.Width, Encoding: r.Encoding, Value: r.Value, Meaning: r.Meaning,
		Also: append([]string{}, r.Also...), WasMeaning: r.WasMeaning, WasDrive: r.WasDrive, Copied: r.Copied, ByChance: r.ByChance, State: "undecided",
	}
	if r.WasNumber {
		j.Was = &r.Was
	}
	if r.Proved() {
		j.State = "proved"
	}
	return j
}
