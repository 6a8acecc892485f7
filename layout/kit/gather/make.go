package gather

import (
	"context"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/pieces"
	"bootgraft/layout"
	"bootgraft/layout/kit"
)

// Options are choices of Make.
type Options struct {
	Ends      Ends
	Remove    disk.Spans               // left out
	Absent    map[kit.State]disk.Spans // why sectors are not known; what it does not name was not read
	OtherUnit disk.Spans               // that another unit of the model gave
	Parts     *pieces.Drive            // what the drive was put together from, or nil
	FactsOnly bool
	Drive     string // what it calls itself
	Notes     []string
	Program   string // which version makes the kit
	MostTexts int

	Linked     []kit.Linked // files that boot code names, with their entries
	WithLoader bool         // they go into the kit
}

// Made is a kit on its way.
type Made struct {
	kit.Contents
	Findings []disk.Finding
	Need     []disk.Finding // what has to be accepted by its code
	Texts    []kit.Text     // strings on a drive that nobody knows
	AllTexts int
}

// RefusedError says why no kit can be made.
type RefusedError struct{ Why string }

func (e *RefusedError) Error() string { return e.Why }

// Make finds out what goes into a kit of a surveyed drive, and which of it names
// something or tells the drive from others.
func Make(ctx context.Context, src image.Source, s *layout.Map, opt Options) (*Made, error) {
	r := &reader{Ctx: ctx, Src: src, Absent: opt.Absent, Remove: opt.Remove}
	areas := areas(s, opt.Ends)
	if opt.WithLoader {
		areas = append(areas, linkedAreas(opt.Linked)...)
	}
	for _, a := range areas {
		if err := r.area(a); err != nil {
			return nil, err
		}
	}
	spans, err := r.result()
	if err != nil {
		return nil, err
	}
	m := &Made{}
	m.Source = src
	m.Manifest = kit.Manifest{
		WrittenBy: opt.Program,
		Sectors:   s.Sectors, SectorSize: s.SectorSize, FactsOnly: opt.FactsOnly, LayoutKnown: layoutKnown(s),
		Drive: opt.Drive, Notes: opt.Notes, Spans: spans, Facts: Facts(s),
	}
	for _, s := range spans {
		m.OtherUnit = m.OtherUnit.Union(opt.OtherUnit.Within(s.Span))
	}
	m.Findings = m.Told()
	if err := m.takeLinked(opt); err != nil {
		return nil, err
	}
	if err := m.look(s, opt, r.farInUse); err != nil {
		return nil, err
	}
	return m, nil
}

// look finds what names something or tells the drive apart. farInUse is how much
// in use lies too far from the ends of its area for a kit.
func (m *Made) look(s *layout.Map, opt Options, farInUse disk.Sector) error {
	found := &marks{Src: m.Source, Spans: m.Spans, Facts: m.FactsOnly}
	if err := found.find(s); err != nil {
		return err
	}
	m.Patches = append(m.Patches, found.Patches...)
	switch {
	case !m.FactsOnly:
		m.Identity = found.Identity[:min(len(found.Identity), kit.MaxMarks)]
	case len(found.Identity) > kit.MaxMarks:
		return &RefusedError{disk.Grouped(len(found.Identity)) +
			" runs of bytes tell this drive from others, and facts can mask " +
			disk.Grouped(kit.MaxMarks) + ". Take sectors out with --blank SPAN"}
	default:
		m.Masked = found.Identity
	}
	var err error
	if m.Need, err = places(m.Source, opt.Parts, s); err != nil {
		return err
	}
	if farInUse > 0 {
		m.Findings = append(m.Findings, disk.Warningf(disk.BootAreaCut, disk.NoSector,
			"%s in use lie outside the volumes too, and are not in the kit: only the first of each gap and the"+
				" end of the disk are. --head and --tail say how much", disk.Counted(farInUse, "sector")))
	}
	if m.FactsOnly {
		return nil // no byte of the drive goes into it
	}
	if err := found.labels(s); err != nil {
		return err
	}
	m.Need = append(m.Need, found.Need...)
	if m.LayoutKnown {
		return nil
	}
	if m.Texts, m.AllTexts, err = kit.Texts(m.Source, m.Spans, opt.MostTexts); err != nil {
		return err
	}
	strings := disk.Counted(m.AllTexts, "string") + " were"
	if m.AllTexts == 1 {
		strings = "1 string was"
	}
	m.Findings = append(m.Findings, disk.Warningf(disk.PrivacyNotKnown, disk.NoSector,
		"neither a table nor a volume was found, so nobody knows what private things the sectors hold;"+
			" %s found. --blank SPAN takes sectors out", strings))
	return nil
}

// Accept moves what is accepted by codes from Need to Findings, with a note of
// every code that nothing asked for.
func (m *Made) Accept(codes []disk.Code) {
	used := map[disk.Code]bool{}
	var open []disk.Finding
	for _, f := range m.Need {
		used[f.Code] = true
		if f.Accepted = slices.Contains(codes, f.Code); f.Accepted {
			m.Findings = append(m.Findings, f)
		} else {
			open = append(open, f)
		}
	}
	for _, code := range codes {
		if !used[code] {
			m.Findings = append(m.Findings, disk.Notef(disk.AcceptNotNeeded, disk.NoSector,
				"--accept %s was given, but nothing asked for it", code))
		}
	}
	m.Need = open
}

// Facts returns what a survey found, without names and labels.
func Facts(s *layout.Map) kit.Facts {
	f := kit.Facts{Table: s.Table}
	for _, e := range s.Entries[:min(len(s.Entries), kit.MaxFacts)] {
		f.Entries = append(f.Entries, kit.Entry{Span: e.Span, Index: e.Index, Type: e.Type, Active: e.Active,
			Extended: e.Extended})
	}
	for _, v := range s.Volumes[:min(len(s.Volumes), kit.MaxFacts)] {
		f.Volumes = append(f.Volumes, kit.Volume{Span: v.Span, Index: v.Index, Kind: v.Kind, ClusterBytes: v.ClusterBytes})
	}
	for _, r := range s.Regions[:min(len(s.Regions), kit.MaxFacts)] {
		f.Regions = append(f.Regions, kit.Region{
			Span: r.Span, Role: r.Role, From: r.Anchor, NonBlank: r.Content.NonBlank, Unread: r.Content.Unread})
	}
	return f
}
