package document

import (
	"bootgraft/image/disk"
	"bootgraft/layout/plan/starts"
	"bootgraft/layout/scan/link"
)

// Starts says what stops a planned card from starting.
type Starts struct {
	Head
	StartsAnswer
}

// StartsAnswer is the same as a part of other answers.
type StartsAnswer struct {
	Answer   starts.Answer `json:"answer"`
	Ways     []StartsWay   `json:"ways"`
	Links    []StartsLink  `json:"links"`
	Searched int64         `json:"searched_bytes"`
	Tried    int           `json:"tried_kinds"`
	ByChance float64       `json:"expected_by_chance"` // accidental links among them, in all
	Cut      bool          `json:"cut"`                // there is more boot code than was searched
	Circle   bool          `json:"circle"`
	Unknown  []disk.Span   `json:"unknown"` // sectors of boot code that the source does not know
}

// StartsWay is one way of starting.
type StartsWay struct {
	Method starts.Method `json:"method"`
	Entry  int           `json:"entry"`
	Answer starts.Answer `json:"answer"`
	Chain  []string      `json:"chain"`
	Broken []string      `json:"broken"`
	Cannot []string      `json:"cannot_know"`
}

// StartsLink is a number in boot code that names a place.
type StartsLink struct {
	Holder   string       `json:"holder"`
	Sector   disk.Sector  `json:"sector"`
	Byte     int          `json:"byte"`
	Width    int          `json:"width"`
	Encoding string       `json:"encoding"`
	Counts   link.Counts  `json:"counts"`
	Unit     int64        `json:"unit_sectors"`
	Value    uint64       `json:"value"`
	Form     string       `json:"form,omitempty"`
	Evidence string       `json:"evidence,omitempty"`
	ByChance float64      `json:"expected_by_chance"`
	Depth    int          `json:"depth"`
	Target   StartsTarget `json:"target"`
	State    starts.State `json:"state"`
	Why      string       `json:"why,omitempty"`
	Names    *disk.Sector `json:"names_on_card"`  // null where it is not known, or none
	Went     *disk.Sector `json:"target_on_card"` // null where it is not copied
}

// StartsTarget is the place that a link names on the original.
type StartsTarget struct {
	Kind   link.PlaceKind `json:"kind"`
	Name   string         `json:"name"`
	Volume *int           `json:"volume"` // null where it lies in none
	Path   string         `json:"path,omitempty"`
	Start  disk.Sector    `json:"start"`
	Count  disk.Sector    `json:"count"`
}

// NewStarts is the answer of the verb starts.
func NewStarts(r *starts.Report) *Starts { return &Starts{New(KindStarts), NewStartsAnswer(r)} }

// NewStartsAnswer is the same as a part of other answers.
func NewStartsAnswer(r *starts.Report) StartsAnswer {
	return StartsAnswer{
		Answer: r.Answer,
		Ways: each(r.Ways, func(w starts.Way) StartsWay {
			return StartsWay{w.Method, w.Entry, w.Answer, some(w.Chain), some(w.Broken), some(w.Cannot)}
		}),
		Links:    each(r.Links, startsLink),
		Searched: r.Found.Searched, Tried: r.Found.Tried, ByChance: r.Found.Spent, Cut: r.Found.Cut, Circle: r.Found.Circle,
		Unknown: some(r.Found.Unknown),
	}
}

func startsLink(v starts.Verdict) StartsLink {
	t := StartsTarget{Kind: v.Target.Kind, Name: v.Target.Name, Path: v.Target.Path, Start: v.Target.Start,
		Count: v.Target.Count}
	if v.Target.Volume >= 0 {
		t.Volume = &v.Target.Volume
	}
	return StartsLink{
		Holder: v.Holder, Sector: v.At, Byte: v.Byte, Width: v.Width, Encoding: v.Encoding, Counts: v.Unit.Counts,
		Unit:  v.Unit.Sectors,
		Value: v.Value, Form: v.Form, Evidence: v.Evidence, ByChance: v.ByChance, Depth: v.Depth, Target: t, State: v.State,
		Why:   v.Why,
		Names: sectorOrNull(v.Now), Went: sectorOrNull(v.Went),
	}
}

// sectorOrNull is a sector, or null where it is none.
func sectorOrNull(x disk.Sector) *disk.Sector {
	if x < 0 {
		return nil
	}
	return &x
}
