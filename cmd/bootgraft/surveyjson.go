package main

import (
	"fmt"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/scan"
)

// schema is the version of every JSON object that this program writes.
const schema = 1

type diskJSON struct {
	Sectors    disk.Sector `json:"sectors"`
	SectorSize int         `json:"sector_size"`
}

type surveyJSON struct {
	Schema   int            `json:"schema"`
	Source   sourceJSON     `json:"source"`
	Table    string         `json:"table"`
	Tables   []tableJSON    `json:"tables"`
	Entries  []entryJSON    `json:"entries"`
	Regions  []regionJSON   `json:"regions"`
	Volumes  []volumeJSON   `json:"volumes"`
	Fields   []layout.Field `json:"fields"`
	Findings []disk.Finding `json:"findings"`

	*candidatesJSON // nil where nobody looked
}

type sourceJSON struct {
	diskJSON
	OddBytes  int    `json:"odd_bytes,omitempty"`
	OddSHA256 string `json:"odd_sha256,omitempty"`
}

type tableJSON struct {
	Kind       string       `json:"kind"`
	State      layout.State `json:"state"`
	SectorSize int          `json:"sector_size,omitempty"`
	Own        []disk.Span  `json:"own"`
	Entries    []entryJSON  `json:"entries"`
	Evidence   []string     `json:"evidence"`
}

type entryJSON struct {
	Index    int         `json:"index"`
	Type     string      `json:"type"`
	TypeName string      `json:"type_name,omitempty"`
	Name     string      `json:"name,omitempty"`
	Start    disk.Sector `json:"start"`
	Count    disk.Sector `json:"count"`
	Active   bool        `json:"active"`
	Extended bool        `json:"extended,omitempty"`
}

// regionJSON leaves Blank and NonBlank null where nothing was looked at.
type regionJSON struct {
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

type volumeJSON struct {
	Index int `json:"index"`
	disk.Span
	Kind         string `json:"kind"`
	Label        string `json:"label"`
	ID           string `json:"id"`
	ClusterBytes int64  `json:"cluster_bytes"`
	UsedBytes    *int64 `json:"used_bytes"`
}

func surveyObject(m *layout.Map) surveyJSON {
	out := surveyJSON{
		Schema: schema, Table: m.Table,
		Source:  sourceJSON{diskJSON{m.Sectors, m.SectorSize}, m.OddBytes, m.OddSHA256},
		Tables:  []tableJSON{},
		Entries: entriesObject(m.Entries), Regions: []regionJSON{}, Volumes: []volumeJSON{},
		Fields: []layout.Field{}, Findings: append([]disk.Finding{}, m.Findings...),
	}
	for _, t := range m.Tables {
		out.Tables = append(out.Tables, tableJSON{
			t.Kind, t.State, t.SectorSize, append([]disk.Span{}, t.Own...), entriesObject(t.Entries), append([]string{}, t.Evidence...),
		})
	}
	for _, r := range m.Regions {
		out.Regions = append(out.Regions, regionObject(r))
	}
	for _, v := range m.Volumes {
		j := volumeJSON{v.Index, v.Span, v.Kind, v.Label, v.ID, v.ClusterBytes, nil}
		if v.UsedBytes >= 0 {
			j.UsedBytes = &v.UsedBytes
		}
		out.Volumes = append(out.Volumes, j)
	}
	return out
}

func entriesObject(entries []layout.Entry) []entryJSON {
	out := []entryJSON{}
	for _, e := range entries {
		out = append(out, entryJSON{e.Index, e.Type, e.TypeName, e.Name, e.Start, e.Count, e.Active, e.Extended})
	}
	return out
}

func regionObject(r layout.Region) regionJSON {
	c := r.Content
	j := regionJSON{
		Span: r.Span, Role: r.Role, Anchor: r.Anchor, Name: r.Name, Unknown: c.Unread,
		SHA256: c.SHA256, Signatures: c.Signatures, Evidence: append([]string{}, r.Evidence...),
	}
	if !c.Looked {
		return j
	}
	j.NonBlank = &c.NonBlank
	if c.NonBlank > 0 || c.Unread == 0 { // else nobody knows
		blank := c.Blank
		j.Blank = &blank
	}
	if c.Blank {
		fill := int(c.Fill)
		j.Fill = &fill
	}
	if c.NonBlank > 0 {
		j.First, j.Last = &c.First, &c.Last
	}
	return j
}

// candidatesJSON is what a look outside the volumes found.
type candidatesJSON struct {
	Searched   []disk.Span             `json:"searched"`
	Unknown    disk.Sector             `json:"searched_unknown_sectors"`
	Content    disk.Sector             `json:"content_sectors"`
	Structures []candidate.Structure   `json:"structures"`
	Strings    candidate.Strings       `json:"strings"`
	Records    []candidate.Record      `json:"records"`
	Mirrors    []candidate.Mirror      `json:"mirrors"`
	Chains     []candidate.Chain       `json:"chains"`
	Checksums  []candidate.Checksum    `json:"checksums"`
	Orders     []candidate.OrderRegion `json:"byte_orders"`
	Through    []throughJSON           `json:"through_byte_order"`
	Left       int                     `json:"candidates_left_out"`
}

type throughJSON struct {
	Order     string       `json:"order"`
	Signature string       `json:"signature,omitempty"` // hexadecimal
	Table     string       `json:"table"`
	Entries   []entryJSON  `json:"entries"`
	Volumes   []volumeJSON `json:"volumes"`
}

// withCandidates adds what lies outside the volumes to the object of a survey.
func withCandidates(out surveyJSON, o *scan.Outside) surveyJSON {
	c := &candidatesJSON{
		Searched: append([]disk.Span{}, o.Searched...), Unknown: o.Unknown, Content: o.Content,
		Structures: append([]candidate.Structure{}, o.Structures...), Strings: o.Strings,
		Records: append([]candidate.Record{}, o.Records...), Mirrors: append([]candidate.Mirror{}, o.Mirrors...),
		Chains: append([]candidate.Chain{}, o.Chains...), Checksums: append([]candidate.Checksum{}, o.Checksums...),
		Orders: append([]candidate.OrderRegion{}, o.Orders...), Through: []throughJSON{}, Left: o.Left,
	}
	for _, t := range o.Through {
		j := throughJSON{t.Order.String(), fmt.Sprintf("%x", t.Signature), t.Table.Kind, entriesObject(t.Table.Entries), []volumeJSON{}}
		for _, v := range t.Volumes {
			j.Volumes = append(j.Volumes, volumeJSON{Index: v.Index, Span: v.Span, Kind: v.Kind, Label: v.Label, ID: v.ID, ClusterBytes: v.ClusterBytes})
		}
		c.Through = append(c.Through, j)
	}
	out.candidatesJSON = c
	out.Fields, out.Findings = append(out.Fields, o.Fields...), append(out.Findings, o.Findings...)
	return out
}
