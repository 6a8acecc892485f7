package document

import (
	"bootgraft/image/ata"
	"bootgraft/image/disk"
)

// Identify is what a drive says of itself.
type Identify struct {
	Model    string `json:"model"`
	Serial   string `json:"serial"`
	Firmware string `json:"firmware"`
	Size
	Default      Geometry  `json:"default_geometry"`
	Current      *Geometry `json:"current_geometry"` // null where the drive does not vouch for one
	CompactFlash bool      `json:"compact_flash"`
	Protected    bool      `json:"can_hide_an_area"`
	Security     Security  `json:"security"`
	Checked      bool      `json:"checksum_right"`
}

// Geometry is how many cylinders, heads, and sectors in a track there are.
type Geometry struct {
	Cylinders int         `json:"cylinders"`
	Heads     int         `json:"heads"`
	Sectors   int         `json:"sectors"`
	Total     disk.Sector `json:"total_sectors"`
}

// Security says whether a password keeps a drive from being read.
type Security struct {
	Supported bool `json:"supported"`
	Enabled   bool `json:"enabled"`
	Locked    bool `json:"locked"`
	Frozen    bool `json:"frozen"`
}

func shape(g ata.Geometry) Geometry {
	return Geometry{g.Cylinders, g.Heads, g.Sectors, g.Total()}
}

func newIdentify(id *ata.Identify) *Identify {
	out := &Identify{
		Model: id.Model, Serial: id.Serial, Firmware: id.Firmware, Size: Size{id.Sectors, id.SectorSize},
		Default: shape(id.Default), CompactFlash: id.CompactFlash, Protected: id.Protected, Checked: id.Checked,
		Security: Security{id.Security.Supported, id.Security.Enabled, id.Security.Locked, id.Security.Frozen},
	}
	if id.Current != (ata.Geometry{}) {
		g := shape(id.Current)
		out.Current = &g
	}
	return out
}

// Said is what a drive says of itself, where it was asked.
type Said struct {
	Identify *Identify `json:"identify,omitempty"`
	Drive    *Drive    `json:"drive,omitempty"`
}

// Drive is what a drive was asked beside that.
type Drive struct {
	Kept   bool        `json:"kept_by_kernel"` // identify is from when the kernel met the drive
	Native disk.Sector `json:"native_sectors"` // with those that it hides; 0 if not known
	Hidden disk.Sector `json:"hidden_sectors"`
	Power  ata.Power   `json:"power"`
	Why    string      `json:"not_asked"` // why it was not asked, or not to the end
}

// Says takes in what the drive says of itself.
func (s *Said) Says(d ata.Drive) {
	if d.Identify != nil {
		s.Identify = newIdentify(d.Identify)
	}
	if d.Power != "" || d.Native > 0 || d.Why != "" || d.Kept {
		s.Drive = &Drive{d.Kept, d.Native, d.Hidden(), d.Power, d.Why}
	}
}
