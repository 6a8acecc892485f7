// Package kit keeps the boot areas of a drive, and nothing else of it, in one
// file: to keep them, or to help an owner whose own drive is dead.
//
// A kit is a ZIP file of at most 256 MiB (MaxBytes) in which nothing is
// compressed, so that any tool that reads ZIP files gets at its sectors, and a
// reader finds them at their places in the file:
//
//	manifest.json            first, so that a kit is known by its first bytes
//	README.txt               plain text: what this is, what to do, what to mind
//	rules.json               if there are any: a rule file, which this package
//	                         carries and does not read
//	sectors/START+COUNT.bin  the bytes of one span, START and COUNT in sectors
//
// The same contents give the same bytes: all dates are 1 January 1980, and there
// is no clock in it.
//
// The manifest is one JSON object of our own:
//
//	kind, schema        "bootgraft kit", 2
//	written_by          the version of the program that made it; form 1 had it not
//	sectors             of the whole drive
//	sector_size         bytes: 512, 1024, 2048 or 4096
//	facts_only          true: no sector is in the kit, only what is known of them
//	layout_known        false: neither a table nor a volume was found; then nobody
//	                    knows what private things the sectors hold
//	drive, notes        texts of the owner: the model of the drive, the device
//	spans[]             in order, none overlapping another; start, count, and
//	  from              anchor: counted from the "start", from the "end", or
//	                    inside a "volume"
//	  what              what lies there, in words
//	  state             "stored": its bytes are in sectors/; "blank": every byte
//	                    is fill, 0 or 255; "missing": the drive failed there;
//	                    "unread": nobody tried; "removed": taken out by the owner;
//	                    "described": its hash is here, its bytes are not
//	  sha256            of its bytes as they are here; stored and described. Of a
//	                    described span the masked bytes are zeros: nobody finds
//	                    a number of 32 bits by trying all, and the hashes of two
//	                    drives of one model agree where nothing else differs
//	other_unit[]        sectors that came to the drive's capture from another unit of
//	                    the model; left out where there are none
//	identity[]          bytes that tell one drive from another and are kept:
//	                    sector, offset, count, what
//	blanked[]           bytes that were overwritten because they name something:
//	                    sector, offset, count, what
//	masked[]            of facts_only: bytes that tell one drive from another and
//	                    count as zeros in the hashes: sector, offset, count, what
//	facts               what was found: table, entries, volumes, regions, fields, and
//	  linked[]          files of FAT volumes that boot code names by their sectors:
//	                    volume, extents, and entry, the directory entry as
//	                    hexadecimal digits, if the kit holds them
//	rules               bytes and sha256 of rules.json
//
// Sectors that no span names are not part of the kit. A Kit is an image.Source in
// which only stored and blank sectors are known.
package kit

import (
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Kind and Schema open every manifest.
const (
	Kind   = "bootgraft kit"
	Schema = 2
)

// The bounds of a kit.
const (
	MaxBytes    = 256 << 20 // of the whole file; all of these by hand, no source
	MaxSpans    = 4096
	MaxRules    = 16 << 20 // bytes of rules
	MaxNotes    = 64
	MaxText     = 4096  // bytes of one note or name
	MaxMarks    = 65536 // of identity and blanked each
	MaxFacts    = 4096  // entries, volumes, regions and fields each
	maxManifest = 8 << 20
	maxReadme   = 64 << 10
)

// State says what a kit holds of a span.
type State string

// The states of a span.
const (
	Stored    State = "stored"
	Blank     State = "blank"
	Missing   State = "missing"
	Unread    State = "unread"
	Removed   State = "removed"
	Described State = "described"
)

// unknown returns why a sector in this state cannot be read.
func (s State) unknown() image.State {
	switch s {
	case Missing:
		return image.Missing
	case Unread:
		return image.Unread
	}
	return image.NotSent
}

// Span is a run of sectors of the drive and what the kit holds of it.
type Span struct {
	disk.Span
	From   layout.Anchor `json:"from"`
	What   string        `json:"what"`
	State  State         `json:"state"`
	Fill   byte          `json:"fill"`
	SHA256 string        `json:"sha256,omitempty"`
}

// name returns the name of the file in the ZIP that holds a stored span.
func (s Span) name() string { return "sectors/" + s.Span.String() + ".bin" }

// Mark is a run of bytes inside one sector.
type Mark struct {
	Sector disk.Sector `json:"sector"`
	Offset int         `json:"offset"`
	Count  int         `json:"count"`
	What   string      `json:"what"`
}

// Facts are what was found out about the drive, without any of its bytes.
type Facts struct {
	Table   string         `json:"table"`
	Entries []Entry        `json:"entries"`
	Volumes []Volume       `json:"volumes"`
	Regions []Region       `json:"regions"`
	Fields  []layout.Field `json:"fields"`
	Linked  []Linked       `json:"linked,omitempty"`
}

// Linked is a file of a FAT volume that boot code names by its sectors.
type Linked struct {
	Volume int `json:"volume"` // index of its entry, 0 without a table
	// its directory entry in hexadecimal digits; empty if the kit does not hold the file
	Entry   string      `json:"entry,omitempty"`
	Extents []disk.Span `json:"extents"` // of the drive, in the order of its bytes
}

// Entry is an entry of the partition table, without its name.
type Entry struct {
	disk.Span
	Index    int    `json:"index"`
	Type     string `json:"type"`
	Active   bool   `json:"active"`
	Extended bool   `json:"extended"`
}

// Volume is a volume, without its label and its serial number.
type Volume struct {
	disk.Span
	Index        int    `json:"index"`
	Kind         string `json:"kind"`
	ClusterBytes int64  `json:"cluster_bytes"`
}

// Region is one run of sectors with one owner.
type Region struct {
	disk.Span
	Role     layout.Role   `json:"role"`
	From     layout.Anchor `json:"from"`
	NonBlank disk.Sector   `json:"nonblank_sectors"`
	Unread   disk.Sector   `json:"unread_sectors"`
}

// RulesOf says which rule file belongs to the kit.
type RulesOf struct {
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// Manifest says what a kit holds.
type Manifest struct {
	Kind        string      `json:"kind"`
	Schema      int         `json:"schema"`
	WrittenBy   string      `json:"written_by,omitempty"`
	Sectors     disk.Sector `json:"sectors"`
	SectorSize  int         `json:"sector_size"`
	FactsOnly   bool        `json:"facts_only"`
	LayoutKnown bool        `json:"layout_known"`
	Drive       string      `json:"drive"`
	Notes       []string    `json:"notes"`
	Spans       []Span      `json:"spans"`
	OtherUnit   disk.Spans  `json:"other_unit,omitempty"`
	Identity    []Mark      `json:"identity"`
	Blanked     []Mark      `json:"blanked"`
	Masked      []Mark      `json:"masked,omitempty"`
	Facts       Facts       `json:"facts"`
	Rules       *RulesOf    `json:"rules,omitempty"`
}

// Stored returns how many sectors the kit holds the bytes of.
func (m *Manifest) Stored() (n disk.Sector) { return m.Count(Stored) }

// Count returns how many sectors of the spans are in a state.
func (m *Manifest) Count(state State) (n disk.Sector) {
	for _, s := range m.Spans {
		if s.State == state {
			n += s.Count
		}
	}
	return n
}

// Told says which sectors are another unit's, nothing if none are.
func (m *Manifest) Told() []disk.Finding {
	if len(m.OtherUnit) == 0 {
		return nil
	}
	return []disk.Finding{disk.Warningf(disk.FromAnotherDrive, m.OtherUnit[0].Start,
		"another unit of the model gave %s: %s. A serial number or a pairing code in them is that unit's",
		disk.Counted(m.OtherUnit.Sectors(), "sector"), m.OtherUnit.Text())}
}

// holdsFiles tells whether files are in the kit: those that boot code names by their
// sectors.
func (m *Manifest) holdsFiles() bool {
	return slices.ContainsFunc(m.Facts.Linked, func(l Linked) bool { return l.Entry != "" })
}

// PartError says what is wrong with a kit.
type PartError struct {
	Part  string // the file in the ZIP, or "" for the ZIP as a whole
	Fault disk.Fault
	Why   string
}

func (e *PartError) Error() string {
	what := "the kit is damaged"
	switch e.Fault {
	case disk.Absent:
		what = "this is no kit"
	case disk.Unsupported:
		what = "the kit is of a form that is not handled here"
	}
	if e.Part != "" {
		what += ": " + e.Part
	}
	return what + ": " + e.Why
}

// TooLargeError says that a kit would become larger than MaxBytes.
type TooLargeError struct{ Bytes int64 }

func (e *TooLargeError) Error() string {
	return "the kit would be larger than 256 MiB"
}
