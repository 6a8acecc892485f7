package document

import (
	"encoding/hex"

	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/scan/diff"
)

// Changed says what a device did to a card.
type Changed struct {
	Head
	Before   string          `json:"before"`
	After    string          `json:"after"`
	Sectors  disk.Sector     `json:"sectors"`
	Compared disk.Sector     `json:"compared_sectors"`
	Changed  disk.Sector     `json:"changed_sectors"`
	Kinds    []diff.Kind     `json:"kinds"`
	Text     []string        `json:"text"`
	Regions  []ChangedRegion `json:"regions"`
	Files    FileChanges     `json:"files"`
	Readings []NumberRead    `json:"readings"`
	Renewed  []Renewed       `json:"checksums"`
	Copies   []Copied        `json:"copies"`
	Volumes  []MadeVolume    `json:"new_volumes"`
	Findings []Finding       `json:"findings"`
	Original bool            `json:"original"`       // an original for `compare`
	Next     string          `json:"next,omitempty"` // the command that compares it
	NoStart  *NoStart        `json:"if_it_did_not_start"`
}

// NumberRead is a number about the size of the disk in bytes that changed.
type NumberRead struct {
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

// Renewed is a checksum that the device renewed.
type Renewed struct {
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

// Copied is a sector that became what another one was.
type Copied struct {
	Sector disk.Sector `json:"sector"`
	Of     disk.Sector `json:"of"`
	Order  string      `json:"order"`
	Bytes  int         `json:"changed_bytes"`
}

// MadeVolume is a volume that was made new.
type MadeVolume struct {
	Index int `json:"index"`
	disk.Span
	Kind  string `json:"volume_kind"`
	Maker string `json:"maker"`
	Lost  int    `json:"files_gone"`
}

// ChangedRegion is a region of the disk before, and how much of it changed.
type ChangedRegion struct {
	disk.Span
	Role     layout.Role     `json:"role"`
	Name     string          `json:"name"`
	Changed  disk.Sector     `json:"changed_sectors"`
	Bytes    int64           `json:"changed_bytes"`
	Unknown  disk.Sector     `json:"not_compared_sectors"`
	Restored disk.Sector     `json:"from_other_end_sectors"`
	Numbers  []ChangedNumber `json:"changes"`
}

// ChangedNumber is a run of bytes that changed.
type ChangedNumber struct {
	Sector disk.Sector `json:"sector"`
	Offset int         `json:"offset"`
	Was    string      `json:"was"`
	Is     string      `json:"is"`
}

// FileChanges are the files that differ, by their names.
type FileChanges struct {
	Added   []string `json:"added"`
	Removed []string `json:"removed"`
	Changed []string `json:"changed"`
	Desktop []string `json:"desktop"` // of those added: what desktops make; folders end with a slash
}

// NoStart is what to do if the card did not start, fitted to what the device did to it.
type NoStart struct {
	RulesOut string   `json:"rules_out"`
	Note     string   `json:"note"`  // one thing to observe
	Next     string   `json:"next"`  // the one cheapest next step
	Lines    []string `json:"lines"` // to type for it
}

// NewChanged is the answer of compare --before; next is the command that compares
// the card with its original, if it became one.
func NewChanged(before, after string, r *diff.Report, texts map[diff.Kind]string, next string) *Changed {
	return &Changed{
		Head: New(KindChanged), Before: before, After: after, Sectors: r.Sectors, Compared: r.Compared, Changed: r.Changed,
		Kinds: r.Kinds, Text: each(r.Kinds, func(k diff.Kind) string { return texts[k] }),
		Regions: each(r.Regions, changedRegion), Files: FileChanges(r.Files), Readings: each(r.Readings, numberRead),
		Renewed: each(r.Renewed, func(x diff.Renewed) Renewed {
			return Renewed{x.Sector, x.Byte, x.Width, x.Encoding, x.Sum, x.Over, x.From, x.Count, x.Right, x.ByChance}
		}),
		Copies: each(r.Copies, func(x diff.Copy) Copied { return Copied{x.Sector, x.Of, x.Order.String(), x.Bytes} }),
		Volumes: each(r.Volumes, func(x diff.MadeVolume) MadeVolume {
			return MadeVolume{x.Index, x.Span, x.Kind, x.Maker, x.Lost}
		}),
		Findings: findings(r.Findings), Original: r.Original, Next: next,
	}
}

func changedRegion(g diff.Region) ChangedRegion {
	numbers := each(g.Numbers, func(n diff.Number) ChangedNumber {
		return ChangedNumber{n.Sector, n.Byte, hex.EncodeToString(n.Was), hex.EncodeToString(n.Is)}
	})
	return ChangedRegion{g.Span, g.Role, g.Name, g.Changed, g.Bytes, g.Unknown, g.Restored, numbers}
}

func numberRead(r diff.Reading) NumberRead {
	j := NumberRead{
		Sector: r.Sector, Byte: r.Byte, Width: r.Width, Encoding: r.Encoding, Value: r.Value, Meaning: r.Meaning,
		Also: some(r.Also), WasMeaning: r.WasMeaning, WasDrive: r.WasDrive, Copied: r.Copied, ByChance: r.ByChance,
		State: "undecided",
	}
	if r.WasNumber {
		j.Was = &r.Was
	}
	if r.Proved() {
		j.State = "proved"
	}
	return j
}
