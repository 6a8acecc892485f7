package document

import (
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
)

// Compare says what several originals of one model have in common.
type Compare struct {
	Head
	Sources     []Original              `json:"sources"`
	HeadSectors disk.Sector             `json:"head_sectors"`
	TailSectors disk.Sector             `json:"tail_sectors"`
	Counts      map[compare.Class]int64 `json:"bytes"`
	Fields      []Rule                  `json:"fields"`
	Checks      []RuleCheck             `json:"checks"`
	Copies      []RuleCopy              `json:"copies"`
	Carried     []Stretch               `json:"carried"`
	Count       []Count                 `json:"counts"` // sizes that the device may count with; none: the sectors
	For         *Verdict                `json:"for,omitempty"`
	Advice      []Advice                `json:"advice"`
	Findings    []Finding               `json:"findings"`
	Rules       string                  `json:"rules,omitempty"`
}

// Original is one of them.
type Original struct {
	Path string `json:"path"`
	Size
	Unit string `json:"unit,omitempty"`
}

// Rule is a number that follows the size.
type Rule struct {
	Place
	Width    int                `json:"width"`
	Class    compare.Class      `json:"class"`
	Encoding candidate.Encoding `json:"encoding"`
	Formula  string             `json:"formula"`
	Bits     float64            `json:"bits"`
	State    string             `json:"state"`
	Doubt    string             `json:"doubt,omitempty"`
	Others   []Reading          `json:"alternatives"`
	On       *Place             `json:"on,omitempty"` // the number that N is in its formulas, if it is not the size
}

// RuleCheck is a checksum.
type RuleCheck struct {
	Place
	Width int      `json:"width"`
	Bits  float64  `json:"bits"`
	State string   `json:"state"`
	Doubt string   `json:"doubt,omitempty"`
	Ways  []SumWay `json:"ways"`
}

// RuleCopy is a run of sectors that is found once more.
type RuleCopy struct {
	Of    Place       `json:"of"`
	To    Place       `json:"to"`
	Count disk.Sector `json:"count"`
	Back  bool        `json:"back"`
	Order image.Order `json:"order"`
	Own   []Stretch   `json:"own"`
}

// Verdict says what a card of one size would hold.
type Verdict struct {
	Sectors     disk.Sector   `json:"sectors"`
	Proved      int           `json:"proved"`
	Undecided   int           `json:"undecided"`
	Unexplained int           `json:"unexplained"`
	Counted     []disk.Sector `json:"counted"` // sectors of the card that the device may count
	Fields      []RuleAnswer  `json:"fields"`
}

// RuleAnswer is what a number would be there.
type RuleAnswer struct {
	Place
	Width    int                `json:"width"`
	Encoding candidate.Encoding `json:"encoding"`
	State    compare.State      `json:"state"`
	Value    uint64             `json:"value"`
	Why      string             `json:"why,omitempty"`
	Others   []Alternative      `json:"alternatives"`
}

// Alternative is another reading, with what it gives.
type Alternative struct {
	Formula string `json:"formula"`
	Value   uint64 `json:"value"`
	Byte    int    `json:"byte"` // where it begins in the sector; a reading may take more or fewer bytes
}

// Advice is a size that would decide more.
type Advice struct {
	Sectors disk.Sector `json:"sectors"`
	Left    int         `json:"undecided_left"`
}

// Reading is one way to understand a number.
type Reading struct {
	Byte     int                `json:"byte"`
	Encoding candidate.Encoding `json:"encoding"`
	Formula  string             `json:"formula"`
}

// Stretch is a run of bytes of one class.
type Stretch struct {
	Place
	Count int           `json:"count"`
	Class compare.Class `json:"class"`
}

// SumWay is one way in which a checksum is made.
type SumWay struct {
	Sum      string             `json:"sum"`
	Encoding candidate.Encoding `json:"encoding"`
	Byte     int                `json:"byte"`  // where the checksum lies, in its sector
	Start    Place              `json:"start"` // first byte of the span
	Count    int64              `json:"count"` // bytes; those of the checksum itself count as zeros
	Order    image.Order        `json:"order"` // byte order in which the span is read
}

// Count is a size that a device may count with.
type Count struct {
	Whole int64 `json:"whole,omitempty"` // sectors of a unit; 0: none
	Most  int64 `json:"most,omitempty"`  // 0: no bound
}

// NewCompare is the answer of compare A B ...; card is the size that was asked
// about, or 0, and out the rule file.
func NewCompare(c *compare.Comparison, dumps []compare.Dump, advice []compare.Advice, card disk.Sector,
	out string) *Compare {
	d := &Compare{
		Head: New(KindCompare), HeadSectors: c.Head, TailSectors: c.Tail, Counts: c.Bytes, Rules: out,
		Sources: each(dumps, func(d compare.Dump) Original {
			return Original{d.Name, Size{image.Sectors(d.Source), d.Source.SectorSize()}, d.Unit}
		}),
		Fields: each(c.Fields, func(f compare.Field) Rule { return rule(&c.Rules, &f) }),
		Checks: each(c.Checks, ruleCheck), Copies: each(c.Copies, ruleCopy),
		Advice:  each(advice, func(a compare.Advice) Advice { return Advice{a.Size, a.Left} }),
		Count:   each(c.Counts, func(x compare.Count) Count { return Count(x) }),
		Carried: each(c.Carried, stretch), Findings: findings(c.Findings),
	}
	if card > 0 {
		d.For = verdict(&c.Rules, card)
	}
	return d
}

func rule(r *compare.Rules, f *compare.Field) Rule {
	all := each(f.Readings(), func(r compare.Reading) Reading { return Reading{r.Byte, r.Encoding, r.Formula} })
	x := Rule{place(f.Place), f.Width, f.Class, all[0].Encoding, all[0].Formula, f.Bits, r.Known(f), f.Doubt, all[1:],
		nil}
	if f.On != nil {
		on := place(*f.On)
		x.On = &on
	}
	return x
}

func ruleCheck(c compare.Check) RuleCheck {
	return RuleCheck{place(c.Place), c.Width, c.Bits, string(c.State()), c.Doubt,
		each(c.Ways, func(w compare.SumWay) SumWay {
			return SumWay{w.Sum, w.Encoding, w.Byte, place(w.Start), w.Count, w.Order}
		})}
}

func ruleCopy(c compare.CopyRule) RuleCopy {
	return RuleCopy{place(c.Of), place(c.To), c.Count, c.Back, c.Order, each(c.Own, stretch)}
}

func stretch(s compare.Stretch) Stretch { return Stretch{place(s.Place), s.Count, s.Class} }

// verdict says what a card of one size would hold.
func verdict(r *compare.Rules, card disk.Sector) *Verdict {
	r = r.Likeliest(card)
	v := r.For(card)
	out := &Verdict{Sectors: card, Proved: v.Proved, Undecided: v.Undecided, Unexplained: v.Unexplained,
		Fields: []RuleAnswer{}}
	for _, c := range r.DiffersBy(card, r.TailReach() > 0) {
		out.Counted = append(out.Counted, c.Of(card))
	}
	for i := range r.Fields {
		f := &r.Fields[i]
		x := RuleAnswer{Place: place(f.Place), State: compare.Undecided, Others: []Alternative{}}
		if answer, err := r.Answer(f, card); err != nil {
			x.Why = err.Error()
		} else {
			x.State, x.Value, x.Why = answer.State, answer.Value, answer.Why
			x.Width, x.Encoding = answer.Width, answer.Encoding
			x.Others = each(answer.Others, func(o compare.Other) Alternative { return Alternative{o.Formula, o.Value, o.Byte} })
		}
		out.Fields = append(out.Fields, x)
	}
	return out
}
