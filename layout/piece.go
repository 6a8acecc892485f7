package layout

import (
	"fmt"

	"bootgraft/image/disk"
)

// Op says where the bytes of a Piece of a card come from.
type Op uint8

// The provenances of a card sector. Nothing else exists.
const (
	Copy   Op = iota + 1 // the bytes of source sectors, unchanged
	Render               // bytes made new, kept in the plan
	Zero                 // zeros
	Leave                // not touched: whatever the card holds stays
)

var opNames = [...]string{Copy: "copy", Render: "render", Zero: "zero", Leave: "leave"}

func (o Op) String() string {
	if int(o) < len(opNames) && opNames[o] != "" {
		return opNames[o]
	}
	return fmt.Sprintf("op(%d)", uint8(o))
}

// MarshalText writes the name that the plan file uses.
func (o Op) MarshalText() ([]byte, error) {
	if int(o) >= len(opNames) || opNames[o] == "" {
		return nil, fmt.Errorf("no such provenance: %d", uint8(o))
	}
	return []byte(opNames[o]), nil
}

// UnmarshalText reads what MarshalText writes.
func (o *Op) UnmarshalText(b []byte) error {
	for i, n := range opNames {
		if n != "" && n == string(b) {
			*o = Op(i)
			return nil
		}
	}
	return fmt.Errorf("%q is no provenance: it is copy, render, zero or leave", b)
}

// Rank orders the writing of pieces on a device, so that a card which lost
// power half-way is plainly no disk until its last sector is written.
type Rank uint8

// The ranks, in the order in which they are written.
const (
	RankData    Rank = iota // everything that is not named below
	RankCopy                // second copies: a backup table, a backup boot sector
	RankFirst               // first copies: tables, boot sectors
	RankSector0             // sector 0, last of all
)

// Reason is why a Piece has its provenance. The texts stand once in a plan.
type Reason uint8

// The reasons. New ones are added at the end, so that digests stay.
const (
	WhyUnchanged   Reason = iota + 1 // same place, same bytes
	WhyTailMoved                     // tail, carried to the new end
	WhyTailKept                      // tail, also at its old address
	WhyTable                         // table sector whose size fields follow the card
	WhyTableCopy                     // second copy of the table, at the new end
	WhyOldTable                      // where the second copy of the table was
	WhyExcess                        // beyond what the source had
	WhyMissing                       // the source does not know these sectors
	WhyNewIDs                        // identifiers drawn anew, or of another unit
	WhyVolume                        // sectors of a volume whose size changes
	WhyVolumeMoved                   // clusters or areas that found a new place
	WhyVolumeFree                    // clusters that no file uses
	WhyRule                          // bytes that follow from a proved rule
	WhyEmptied                       // volume made empty
	WhyOtherCopy                     // the source does not know these sectors, but their second copy
)

var reasonTexts = map[Reason][2]string{
	WhyUnchanged:   {"unchanged", "same place and same bytes as on the original"},
	WhyTailMoved:   {"tail-moved", "the tail, counted from the end: carried to the end of the card"},
	WhyTailKept:    {"tail-kept", "the tail at its old address, for firmware that looks for it there"},
	WhyTable:       {"table", "partition table whose size fields follow the card; all other bytes as on the original"},
	WhyTableCopy:   {"table-second-copy", "second copy of the partition table, counted from the end of the card"},
	WhyOldTable:    {"old-table-place", "where the second copy of the partition table was on the original"},
	WhyExcess:      {"excess", "beyond everything that the original had"},
	WhyMissing:     {"missing-in-source", "the source does not know these sectors; zeros on the card"},
	WhyNewIDs:      {"new-identifiers", "identifiers of another unit, or drawn anew, as asked"},
	WhyVolume:      {"volume-resized", "boot sectors, tables and directory entries that name a size or a moved cluster"},
	WhyVolumeMoved: {"volume-moved", "files and directories that found a new place in their volume"},
	WhyVolumeFree:  {"volume-free", "clusters that no file uses"},
	WhyRule:        {"rule", "bytes that follow the size of the card by a proved rule"},
	WhyEmptied:     {"volume-emptied", "volume made empty, as asked"},
	WhyOtherCopy:   {"twin", "the source does not know these sectors; their other copy on it answers for them"},
}

// Reasons returns every reason in order.
func Reasons() []Reason {
	out := make([]Reason, len(reasonTexts))
	for i := range out {
		out[i] = Reason(i + 1)
	}
	return out
}

// Valid tells whether the reason is one of those above.
func (r Reason) Valid() bool { _, ok := reasonTexts[r]; return ok }

func (r Reason) String() string { return reasonTexts[r][0] }

// Text explains the reason to a person.
func (r Reason) Text() string { return reasonTexts[r][1] }

// MarshalText writes the short code.
func (r Reason) MarshalText() ([]byte, error) {
	if !r.Valid() {
		return nil, fmt.Errorf("no such reason: %d", uint8(r))
	}
	return []byte(r.String()), nil
}

// UnmarshalText reads what MarshalText writes.
func (r *Reason) UnmarshalText(b []byte) error {
	for k, v := range reasonTexts {
		if v[0] == string(b) {
			*r = k
			return nil
		}
	}
	return fmt.Errorf("%q is no reason that this version knows", b)
}

// Missing returns the sectors of a card that are zeros because its source does not know
// them.
func Missing(pieces []Piece) (out disk.Spans) {
	for i := range pieces {
		if pieces[i].Op == Zero && pieces[i].Why == WhyMissing {
			out = out.Add(pieces[i].Span)
		}
	}
	return out
}

// Piece is one run of card sectors with one provenance. It stays within 32
// bytes: a fragmented volume can need a million of them.
type Piece struct {
	disk.Span
	Op   Op
	Rank Rank
	Why  Reason
	From disk.Sector // Copy: the first source sector. Render: the first sector in the plan's rendered bytes. Otherwise 0
}
