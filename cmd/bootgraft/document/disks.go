package document

import (
	"time"

	"bootgraft/safety/blockdev"
)

// Disks are those of this machine.
type Disks struct {
	Head
	Disks []Disk `json:"disks"`
}

// Disk is one of them.
type Disk struct {
	Node string `json:"node"`
	Size
	Bytes     int64      `json:"bytes"`
	Model     string     `json:"model"`
	Serial    string     `json:"serial"`
	Bus       string     `json:"bus"`
	Removable bool       `json:"removable"`
	ReadOnly  bool       `json:"read_only"`
	Offline   bool       `json:"offline"` // Windows mounts nothing from it
	Mounts    []string   `json:"mounts"`
	System    []string   `json:"system"`
	Since     *time.Time `json:"since"` // when its node was made; null if it has none
}

// NewDisks is the answer of survey and of card without a disk.
func NewDisks(all []blockdev.Disk) *Disks {
	return &Disks{New(KindDisks), each(all, func(d blockdev.Disk) Disk {
		out := Disk{
			Node: d.Node, Size: Size{d.Sectors, d.SectorSize}, Bytes: d.Bytes(),
			Model: d.Identity.Model, Serial: d.Identity.Serial, Bus: d.Identity.Bus, Removable: d.Identity.Removable,
			ReadOnly: d.ReadOnly, Offline: d.Offline, Mounts: some(d.Mounts), System: some(d.System),
		}
		if !d.Since.IsZero() {
			out.Since = &d.Since
		}
		return out
	})}
}
