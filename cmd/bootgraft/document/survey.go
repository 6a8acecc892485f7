package document

import (
	"slices"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/geometry"
)

// Survey says who owns every sector of a drive.
type Survey struct {
	Head
	Source   Source    `json:"source"`
	Table    string    `json:"table"`
	Tables   []Table   `json:"tables"`
	Entries  []Entry   `json:"entries"`
	Regions  []Region  `json:"regions"`
	Volumes  []Volume  `json:"volumes"`
	Fields   []Field   `json:"fields"`
	Findings []Finding `json:"findings"`

	Geometry Counted `json:"geometry"`

	Said

	*Outside // nil where nobody looked
}

// Source is the drive, with what lies behind its last whole sector.
type Source struct {
	Size
	OddBytes  int    `json:"odd_bytes,omitempty"`
	OddSHA256 string `json:"odd_sha256,omitempty"`
}

// Table is a partition table.
type Table struct {
	Kind       string       `json:"kind"`
	State      layout.State `json:"state"`
	SectorSize int          `json:"sector_size,omitempty"`
	Own        []disk.Span  `json:"own"`
	Entries    []Entry      `json:"entries"`
	Evidence   []string     `json:"evidence"`
}

// Entry is an entry of a table.
type Entry struct {
	Index    int         `json:"index"`
	Type     string      `json:"type"`
	TypeName string      `json:"type_name,omitempty"`
	Name     string      `json:"name,omitempty"`
	Start    disk.Sector `json:"start"`
	Count    disk.Sector `json:"count"`
	Active   bool        `json:"active"`
	Extended bool        `json:"extended,omitempty"`
}

// Region has Blank and NonBlank null where nothing was looked at.
type Region struct {
	disk.Span
	Role       layout.Role   `json:"role"`
	Anchor     layout.Anchor `json:"anchor"`
	Name       string        `json:"name"`
	Blank      *bool         `json:"blank"`
	Fill       *int          `json:"fill,omitempty"` // the byte that fills a blank region
	NonBlank   *disk.Sector  `json:"nonblank_sectors"`
	First      *disk.Sector  `json:"first_nonblank,omitempty"`
	Last       *disk.Sector  `json:"last_nonblank,omitempty"`
	Unknown    disk.Sector   `json:"unknown_sectors,omitempty"`
	SHA256     string        `json:"sha256,omitempty"`
	Signatures []string      `json:"signatures,omitempty"`
	Evidence   []string      `json:"evidence"`
}

// Volume is a file system.
type Volume struct {
	Index int `json:"index"`
	disk.Span
	Kind         string `json:"kind"`
	Label        string `json:"label"`
	ID           string `json:"id"`
	ClusterBytes int64  `json:"cluster_bytes"`
	UsedBytes    *int64 `json:"used_bytes"`
}

// Counted is in what a disk is counted by cylinder, head and sector, by those who say it.
type Counted struct {
	Rows  []CountedRow `json:"rows"`
	Agree bool         `json:"agree"`
	Says  []string     `json:"says"` // what it means where they disagree
}

// CountedRow is what one of them counts in.
type CountedRow struct {
	Who       geometry.Who `json:"who"`
	Volume    *int         `json:"volume,omitempty"`    // index of the volume, of volumes alone
	Cylinders int          `json:"cylinders,omitempty"` // where they are said
	Heads     int          `json:"heads"`
	Sectors   int          `json:"sectors"`
}

// Counts takes in what the disk is counted in.
func (s *Survey) Counts(v *geometry.View) {
	s.Geometry = Counted{Agree: len(v.Says) == 0, Says: some(v.Says), Rows: each(v.Rows, func(r geometry.Row) CountedRow {
		row := CountedRow{Who: r.Who, Cylinders: r.Cylinders, Heads: r.Heads, Sectors: r.Sectors}
		if r.Who == geometry.Volume {
			row.Volume = &r.Volume
		}
		return row
	})}
}

// NewSurvey is the answer of survey SOURCE.
func NewSurvey(m *layout.Map, more ...disk.Finding) *Survey {
	return &Survey{
		Head: New(KindSurvey), Table: m.Table,
		Source: Source{Size{m.Sectors, m.SectorSize}, m.OddBytes, m.OddSHA256},
		Tables: each(m.Tables, func(t layout.Table) Table {
			return Table{t.Kind, t.State, t.SectorSize, some(t.Own), entries(t.Entries), some(t.Evidence)}
		}),
		Entries: entries(m.Entries), Regions: each(m.Regions, region), Volumes: each(m.Volumes, volumeAndUse),
		Fields: []Field{}, Findings: findings(append(slices.Clip(m.Findings), more...)),
	}
}

func entries(all []layout.Entry) []Entry {
	return each(all, func(e layout.Entry) Entry {
		return Entry{e.Index, e.Type, e.TypeName, e.Name, e.Start, e.Count, e.Active, e.Extended}
	})
}

func volume(v layout.Volume) Volume {
	return Volume{Index: v.Index, Span: v.Span, Kind: v.Kind, Label: v.Label, ID: v.ID, ClusterBytes: v.ClusterBytes}
}

func volumeAndUse(v layout.Volume) Volume {
	out := volume(v)
	if v.UsedBytes >= 0 {
		out.UsedBytes = &v.UsedBytes
	}
	return out
}

func region(r layout.Region) Region {
	c := r.Content
	out := Region{
		Span: r.Span, Role: r.Role, Anchor: r.Anchor, Name: r.Name, Unknown: c.Unread,
		SHA256: c.SHA256, Signatures: c.Signatures, Evidence: some(r.Evidence),
	}
	if !c.Looked {
		return out
	}
	out.NonBlank = &c.NonBlank
	if c.NonBlank > 0 || c.Unread == 0 { // else nobody knows
		out.Blank = &c.Blank
	}
	if c.Blank {
		fill := int(c.Fill)
		out.Fill = &fill
	}
	if c.NonBlank > 0 {
		out.First, out.Last = &c.First, &c.Last
	}
	return out
}
