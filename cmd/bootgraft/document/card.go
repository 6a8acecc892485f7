package document

import (
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/safety"
	"bootgraft/safety/blockdev"
	"bootgraft/safety/held"
)

// Card says what a card is and what it holds.
type Card struct {
	Head
	Target     string `json:"target"`
	TargetKind string `json:"target_kind"` // device or file
	Size
	Bytes     int64       `json:"bytes"`
	Nominal   Nominal     `json:"nominal"`
	Device    *Device     `json:"device"` // null for an image file
	InUse     []string    `json:"in_use"`
	OnCard    []string    `json:"on_card"` // null if it was not read
	Files     *int        `json:"files_on_card"`
	Table     *string     `json:"table"`
	Alignment Alignment   `json:"alignment"`
	Again     disk.Sector `json:"start_again_after"` // sectors; 0 if it is not found again
	Hints     []string    `json:"hints"`
	Plan      string      `json:"plan"`
	Fault     string      `json:"fault,omitempty"`
	Said
}

// Nominal is the size that a card is sold as.
type Nominal struct {
	Bytes     int64   `json:"bytes"`              // 0 if no usual size is near
	Percent   float64 `json:"difference_percent"` // by how much the card is larger
	Published string  `json:"published"`          // a published size that it has to the sector, or nothing
	SDClass   string  `json:"sd_class"`           // of an SD card of this size
}

// Device is what only a device has.
type Device struct {
	Node      string   `json:"node"`
	Model     string   `json:"model"`
	Serial    string   `json:"serial"`
	Bus       string   `json:"bus"`
	Speed     string   `json:"speed_mbit"`
	Removable bool     `json:"removable"`
	ReadOnly  bool     `json:"read_only"`
	Partition bool     `json:"partition"`
	Physical  int      `json:"physical_sector_size"` // 0 if not known
	CID       string   `json:"cid"`
	Erase     int64    `json:"erase_bytes"` // 0 if it cannot be seen
	System    []string `json:"system"`
}

// Alignment is how what a card holds lies on the units in which flash erases.
type Alignment struct {
	Boundary int64     `json:"boundary_bytes"`
	Places   []Aligned `json:"places"`
}

// Aligned is where something begins on a card.
type Aligned struct {
	What    string      `json:"what"`
	Sector  disk.Sector `json:"sector"`
	Past    disk.Sector `json:"past_boundary"` // sectors after the last boundary; 0 if it lies on one
	Aligned bool        `json:"aligned"`
	Page    bool        `json:"aligned_4k"`
}

// NewCard begins the answer of card TARGET, of a disk of so many sectors.
func NewCard(target string, d plan.Size, a held.Alignment) *Card {
	return &Card{
		Head: New(KindCard), Target: target, TargetKind: "file", Size: Size(d), Bytes: int64(d.Sectors) * int64(d.SectorSize),
		Nominal:   Nominal(plan.NominalOf(d)),
		Alignment: Alignment{a.Boundary, each(a.Places, func(p held.Begin) Aligned { return Aligned(p) })},
	}
}

// SetDevice says what device the card is.
func (c *Card) SetDevice(f blockdev.Facts) {
	c.TargetKind = "device"
	c.Device = &Device{f.Node, f.Identity.Model, f.Identity.Serial, f.Identity.Bus, f.Speed, f.Identity.Removable,
		f.ReadOnly, f.Partition, f.Physical, f.CID, f.Erase, some(f.System)}
}

// CardTest is the verdict of a test by writing.
type CardTest struct {
	Head
	Target string `json:"target"`
	Test   string `json:"test"`
	Size
	Verdict  safety.Trick `json:"verdict"` // honest, repeats, forgets, waits
	Real     disk.Sector  `json:"real_sectors"`
	Bad      disk.Sector  `json:"bad_sectors"`
	Unread   disk.Sector  `json:"unreadable_sectors"` // were not tested, for what they held could not be put back
	Tested   disk.Sector  `json:"tested_sectors"`
	Written  disk.Sector  `json:"written_sectors"`
	Restored bool         `json:"restored"`
	Receipt  string       `json:"receipt"`
	Pulled   bool         `json:"pulled"` // it was without power between writing and reading
}

// NewCardTest is the answer of card --write-test.
func NewCardTest(target, test string, sectorSize int, restored bool, c safety.Capacity) *CardTest {
	return &CardTest{New(KindCardTest), target, test, Size{c.Sectors, sectorSize}, c.Trick, c.Real, c.Bad, c.Unread,
		c.Tested, c.Written, restored, c.Receipt, c.Pulled}
}
