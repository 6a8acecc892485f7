package main

import (
	"fmt"
	"strconv"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/scan"
)

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
	return out
}

// maxCandidateRows is how many of each kind a person is shown.
const maxCandidateRows = 6

// showCandidates lists what may be structure outside the volumes.
func (u *ui) showCandidates(o *scan.Outside) {
	if !o.Candidates() && len(o.Through) == 0 {
		return
	}
	u.answerf("\nCandidates outside the volumes:\n")
	for _, k := range []struct {
		name string
		rows []string
	}{
		{"table", throughRows(o)}, {"byte order", orderRows(o)}, {"copy", mirrorRows(o)},
		{"number", fieldRows(o)}, {"chain", chainRows(o)}, {"checksum", sumRows(o)},
	} {
		for i, row := range k.rows {
			if i == maxCandidateRows {
				u.answerf("  %-11s... and %s more; all of them with --json\n", "", grouped(len(k.rows)-i))
				break
			}
			u.wrapped(fmt.Sprintf("  %-11s", k.name), row)
		}
	}
	u.wrapped("", "One dump proves nothing: each of these may be chance, as often as its line says for all like it together. With several drives of the model, compare them:")
	u.answerf("\n  bootgraft compare A B\n")
}

// chance writes how many hits are expected by chance.
func chance(v float64) string {
	if v < 1e-6 {
		return "by chance: less than 0.000001"
	}
	return "by chance: " + strings.TrimRight(strconv.FormatFloat(v, 'f', 6, 64), "0")
}

func throughRows(o *scan.Outside) (out []string) {
	for _, t := range o.Through {
		out = append(out, t.Text())
	}
	return out
}

func orderRows(o *scan.Outside) (out []string) {
	for _, r := range o.Orders {
		if r.Order != image.Plain.String() {
			out = append(out, fmt.Sprintf("sectors %s may be %s: %s (%s)", r.Span, r.Order, r.Evidence[0], chance(r.ByChance)))
		}
	}
	return out
}

func mirrorRows(o *scan.Outside) (out []string) {
	for _, m := range o.Mirrors {
		out = append(out, fmt.Sprintf("%s (%s)", m.Text(), chance(m.ByChance)))
	}
	return out
}

func fieldRows(o *scan.Outside) (out []string) {
	for _, f := range o.Fields {
		out = append(out, fmt.Sprintf("sector %d, byte %d, %s: %d, candidate for: %s (%s)", f.Sector, f.Offset, f.Encoding, f.Value, f.Meaning, chance(f.ByChance)))
	}
	return out
}

func chainRows(o *scan.Outside) (out []string) {
	for _, c := range o.Chains {
		out = append(out, fmt.Sprintf("%s (%s)", c.Text(), chance(c.ByChance)))
	}
	return out
}

func sumRows(o *scan.Outside) (out []string) {
	for _, c := range o.Checksums {
		out = append(out, fmt.Sprintf("%s (%s)", c.Text(), chance(c.ByChance)))
	}
	return out
}
