package document

import (
	"bufio"
	"encoding/json"
	"io"

	"bootgraft/image/disk"
	"bootgraft/image/nbd"
	"bootgraft/layout/scan/owners"
)

// Serve says what was read of a disk that was shown to other programs.
type Serve struct {
	Head
	Size
	Card    disk.Sector   `json:"card_sectors,omitempty"` // of the whole card, where its device sees fewer
	Address string        `json:"address"`
	Clients int           `json:"clients"`
	Broken  int           `json:"broken_clients"` // went without taking leave
	Reads   int64         `json:"reads"`
	Writes  int64         `json:"writes"`
	Refused int64         `json:"refused_writes"`
	Read    []Visit       `json:"read"` // in order
	More    int           `json:"more"` // visits that Read leaves out before its last
	Never   []ServedOwner `json:"never_read"`
	Left    []disk.Span   `json:"not_touched_read"`
	Unknown []disk.Span   `json:"unknown_read"`
	Failed  []disk.Span   `json:"failed_reads"`    // the source could not be read there
	Missing disk.Sector   `json:"missing_sectors"` // that the source of a plan does not know, and that are zeros here
}

// ServedOwner owns sectors side by side.
type ServedOwner struct {
	Start disk.Sector `json:"start"`
	Count disk.Sector `json:"count"`
	Kind  owners.Kind `json:"kind"`
	Name  string      `json:"name"`
}

// Visit is sectors of one owner that were read one after the other.
type Visit struct {
	Kind    owners.Kind `json:"kind"`
	Name    string      `json:"name"`
	First   disk.Sector `json:"first"`
	Last    disk.Sector `json:"last"`
	Sectors disk.Sector `json:"sectors"`
}

// NewServe is the answer of the verb serve.
func NewServe(address string, size Size, card, missing disk.Sector, r nbd.Report, story []owners.Visit, more int,
	never []owners.Owner) *Serve {
	return &Serve{
		Head: New(KindServe), Size: size, Card: card, Address: address,
		Clients: r.Clients, Broken: r.Broken, Reads: r.Reads, Writes: r.Writes, Refused: r.Refused, More: more,
		Read: each(story, func(v owners.Visit) Visit { return Visit{v.Kind, v.Name, v.First, v.Last, v.Sectors} }),
		Never: each(never, func(o owners.Owner) ServedOwner {
			return ServedOwner{o.Start, o.Count, o.Kind, o.Name}
		}),
		Left: some(r.Left), Unknown: some(r.Unknown), Failed: some(r.Failed), Missing: missing,
	}
}

// Access is one line of a trace: sectors that were read, and whose they are.
type Access struct {
	Start disk.Sector `json:"start"`
	Count disk.Sector `json:"count"`
	Owner string      `json:"owner"`
}

// WriteTrace writes all that was read, in order, a line of JSON for each run.
func WriteTrace(w io.Writer, runs []disk.Span, who *owners.Owners) error {
	b := bufio.NewWriter(w)
	lines := json.NewEncoder(b)
	lines.SetEscapeHTML(false)
	if err := who.Each(runs, func(s disk.Span, by owners.Owner) error {
		return lines.Encode(Access{Start: s.Start, Count: s.Count, Owner: by.Name})
	}); err != nil {
		return err
	}
	return b.Flush()
}
