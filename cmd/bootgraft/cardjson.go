package main

import (
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
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
	f := l.Facts
	j := cardLookJSON{
		Head: document.New(document.KindCard), Target: l.Path, TargetKind: "file", diskJSON: diskJSON{f.Sectors, f.SectorSize},
		Bytes: int64(f.Sectors) * int64(f.SectorSize), Nominal: plan.NominalOf(l.Disk()),
		InUse: l.InUse(), Alignment: l.Alignment(), Again: l.Again, Hints: l.Hints(),
		Plan: page.PlanLine(f.Sectors, f.SectorSize),
	}
	if !l.File {
		j.TargetKind = "device"
		j.Device = &deviceJSON{f.Node, f.Identity.Model, f.Identity.Serial, f.Identity.Bus, f.Speed, f.Identity.Removable,
			f.ReadOnly, f.Partition, f.Physical, f.CID, f.Erase, append([]string{}, f.System...)}
	}
	if l.Held != nil {
		j.OnCard, j.Files, j.Table = l.Held.Lines, &l.Held.Files, &l.Held.Survey.Table
	}
	if l.Fault != nil {
		j.Fault = l.Fault.Error()
	}
	return j
}
