package main

import (
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
)

type comparisonJSON struct {
	Schema   int                     `json:"schema"`
	Sources  []comparedJSON          `json:"sources"`
	Head     disk.Sector             `json:"head_sectors"`
	Tail     disk.Sector             `json:"tail_sectors"`
	Counts   map[compare.Class]int64 `json:"bytes"`
	Fields   []ruleFieldJSON         `json:"fields"`
	Checks   []ruleCheckJSON         `json:"checks"`
	Copies   []ruleCopyJSON          `json:"copies"`
	Carried  []compare.Stretch       `json:"carried"`
	Count    []compare.Count         `json:"counts"` // sizes that the device may count with; none: the sectors
	For      *verdictJSON            `json:"for,omitempty"`
	Advice   []adviceJSON            `json:"advice"`
	Findings []disk.Finding          `json:"findings"`
	Rules    string                  `json:"rules,omitempty"`
}

type comparedJSON struct {
	Path string `json:"path"`
	diskJSON
	Unit string `json:"unit,omitempty"`
}

type ruleFieldJSON struct {
	candidate.Place
	Width    int                `json:"width"`
	Class    compare.Class      `json:"class"`
	Encoding candidate.Encoding `json:"encoding"`
	Formula  string             `json:"formula"`
	Bits     float64            `json:"bits"`
	State    string             `json:"state"`
	Doubt    string             `json:"doubt,omitempty"`
	Others   []page.Reading     `json:"alternatives"`
	On       *candidate.Place   `json:"on,omitempty"` // the number that N is in its formulas, if it is not the size
}

type ruleCheckJSON struct {
	candidate.Place
	Width int              `json:"width"`
	Bits  float64          `json:"bits"`
	State string           `json:"state"`
	Doubt string           `json:"doubt,omitempty"`
	Ways  []compare.SumWay `json:"ways"`
}

type ruleCopyJSON struct {
	Of    candidate.Place   `json:"of"`
	To    candidate.Place   `json:"to"`
	Count disk.Sector       `json:"count"`
	Back  bool              `json:"back"`
	Order image.Order       `json:"order"`
	Own   []compare.Stretch `json:"own"`
}

type verdictJSON struct {
	Sectors     disk.Sector   `json:"sectors"`
	Proved      int           `json:"proved"`
	Undecided   int           `json:"undecided"`
	Unexplained int           `json:"unexplained"`
	Counted     []disk.Sector `json:"counted"` // sectors of the card that the device may count
	Fields      []answerJSON  `json:"fields"`
}

type answerJSON struct {
	candidate.Place
	Width    int                `json:"width"`
	Encoding candidate.Encoding `json:"encoding"`
	State    compare.State      `json:"state"`
	Value    uint64             `json:"value"`
	Why      string             `json:"why,omitempty"`
	Others   []otherJSON        `json:"alternatives"`
}

type otherJSON struct {
	Formula string `json:"formula"`
	Value   uint64 `json:"value"`
}

type adviceJSON struct {
	Sectors disk.Sector `json:"sectors"`
	Left    int         `json:"undecided_left"`
}

func comparisonObject(a *page.Originals) comparisonJSON {
	j := comparisonJSON{
		Schema: schema, Head: a.Head, Tail: a.Tail, Counts: a.Bytes, Rules: a.Out,
		Sources: []comparedJSON{}, Fields: []ruleFieldJSON{}, Checks: []ruleCheckJSON{}, Copies: []ruleCopyJSON{}, Advice: []adviceJSON{},
		Count:   append([]compare.Count{}, a.Counts...),
		Carried: append([]compare.Stretch{}, a.Carried...), Findings: append([]disk.Finding{}, a.Findings...),
	}
	for _, d := range a.Dumps {
		size := d.Source.SectorSize()
		j.Sources = append(j.Sources, comparedJSON{d.Name, diskJSON{image.Sectors(d.Source), size}, d.Unit})
	}
	for i := range a.Fields {
		f := &a.Fields[i]
		all := page.Readings(f)
		j.Fields = append(j.Fields, ruleFieldJSON{f.Place, f.Width, f.Class, all[0].Encoding, all[0].Formula, f.Bits, page.FieldState(f), f.Doubt, all[1:], f.On})
	}
	for i := range a.Checks {
		c := &a.Checks[i]
		j.Checks = append(j.Checks, ruleCheckJSON{c.Place, c.Width, c.Bits, string(c.State()), c.Doubt, c.Ways})
	}
	for _, c := range a.Copies {
		j.Copies = append(j.Copies, ruleCopyJSON{c.Of, c.To, c.Count, c.Back, c.Order, append([]compare.Stretch{}, c.Own...)})
	}
	for _, x := range a.Advice() {
		j.Advice = append(j.Advice, adviceJSON{x.Size, x.Left})
	}
	if a.Card > 0 {
		j.For = verdictObject(a)
	}
	return j
}

// verdict says what a card of one size would hold.
func verdictObject(a *page.Originals) *verdictJSON {
	v := a.For(a.Card)
	out := &verdictJSON{Sectors: a.Card, Proved: v.Proved, Undecided: v.Undecided, Unexplained: v.Unexplained, Fields: []answerJSON{}}
	for _, c := range a.DiffersBy(a.Card, a.TailReach() > 0) {
		out.Counted = append(out.Counted, c.Of(a.Card))
	}
	for i := range a.Fields {
		f := &a.Fields[i]
		x := answerJSON{Place: f.Place, State: compare.Undecided, Others: []otherJSON{}}
		if answer, err := a.Answer(f, a.Card); err != nil {
			x.Why = err.Error()
		} else {
			x.State, x.Value, x.Why = answer.State, answer.Value, answer.Why
			x.Width, x.Encoding = answer.Width, f.Ways[0].Encoding
			for _, o := range answer.Others {
				x.Others = append(x.Others, otherJSON{o.Formula, o.Value})
			}
		}
		out.Fields = append(out.Fields, x)
	}
	return out
}
