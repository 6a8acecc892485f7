package main

import (
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
)

func (l *cardLook) document() *document.Card {
	d := document.NewCard(l.Path, l.Disk(), l.Alignment())
	d.InUse, d.Hints, d.Again, d.Plan = l.InUse(), l.Hints(), l.Again, page.PlanLine(l.Facts.Sectors, l.Facts.SectorSize)
	if !l.File {
		d.SetDevice(l.Facts)
	}
	if l.Held != nil {
		d.OnCard, d.Files, d.Table = l.Held.Lines, &l.Held.Files, &l.Held.Survey.Table
	}
	if l.Fault != nil {
		d.Fault = l.Fault.Error()
	}
	return d
}
