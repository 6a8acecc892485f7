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

func geometry(g ata.Geometry) Geometry {
	return Geometry{g.Cylinders, g.Heads, g.Sectors, g.Total()}
}

func newIdentify(id *ata.Identify) *Identify {
	out := &Identify{
		Model: id.Model, Serial: id.Serial, Firmware: id.Firmware, Size: Size{id.Sectors, id.SectorSize},
		Default: geometry(id.Default), CompactFlash: id.CompactFlash, Protected: id.Protected, Checked: id.Checked,
		Security: Security{id.Security.Supported, id.Security.Enabled, id.Security.Locked, id.Security.Frozen},
	}
	if id.Current != (ata.Geometry{}) {
		g := geometry(id.Current)
		out.Current = &g
	}
	return out
}

// Says adds what the drive says of itself, if it was asked.
func (s *Survey) Says(id *ata.Identify) {
	if id != nil {
		s.Identify = newIdentify(id)
	}
}
