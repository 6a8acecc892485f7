package main

import (
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/image/disk"
	"bootgraft/layout/plan"
	"bootgraft/safety/held"
)

type cardLookJSON struct {
	document.Head
	Target     string `json:"target"`
	TargetKind string `json:"target_kind"` // device or file
	diskJSON
	Bytes     int64          `json:"bytes"`
	Nominal   plan.Nominal   `json:"nominal"`
	Device    *deviceJSON    `json:"device"` // null for an image file
	InUse     []string       `json:"in_use"`
	OnCard    []string       `json:"on_card"` // null if it was not read
	Files     *int           `json:"files_on_card"`
	Table     *string        `json:"table"`
	Alignment held.Alignment `json:"alignment"`
	Again     disk.Sector    `json:"start_again_after"` // sectors; 0 if it is not found again
	Hints     []string       `json:"hints"`
	Plan      string         `json:"plan"`
	Fault     string         `json:"fault,omitempty"`
}

type deviceJSON struct {
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

func (l *cardLook) Object() cardLookJSON {
	f := l.facts
	j := cardLookJSON{
		Head: document.New(document.KindCard), Target: l.path, TargetKind: "file", diskJSON: diskJSON{f.Sectors, f.SectorSize},
		Bytes: int64(f.Sectors) * int64(f.SectorSize), Nominal: plan.NominalOf(l.disk()),
		InUse: l.inUse(), Alignment: l.alignment(), Again: l.again, Hints: l.hints(),
		Plan: planLine(f.Sectors, f.SectorSize),
	}
	if !l.file {
		j.TargetKind = "device"
		j.Device = &deviceJSON{f.Node, f.Identity.Model, f.Identity.Serial, f.Identity.Bus, f.Speed, f.Identity.Removable,
			f.ReadOnly, f.Partition, f.Physical, f.CID, f.Erase, append([]string{}, f.System...)}
	}
	if l.held != nil {
		j.OnCard, j.Files, j.Table = l.held.Lines, &l.held.Files, &l.held.Survey.Table
	}
	if l.fault != nil {
		j.Fault = l.fault.Error()
	}
	return j
}
