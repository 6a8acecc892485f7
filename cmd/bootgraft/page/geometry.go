package page

import (
	"fmt"
	"strconv"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/geometry"
)

// Geometry shows beside each other in what a disk is counted, where more than one says
// it, and what it means that they disagree.
func Geometry(u *talk.UI, v *geometry.View) {
	if len(v.Rows) < 2 {
		return
	}
	u.Answerf("\nCounted by cylinder, head and sector:\n  %-14s %9s %6s %8s\n", "", "cylinders", "heads", "sectors")
	for _, r := range v.Rows {
		cylinders := "-"
		if r.Cylinders > 0 {
			cylinders = disk.Grouped(r.Cylinders)
		}
		u.Answerf("  %-14s %9s %6d %8d\n", whoCounts(r), cylinders, r.Heads, r.Sectors)
	}
	for _, text := range v.Says {
		u.Wrapped("", text)
	}
	if len(v.Says) == 0 {
		u.Answerf("All of them count alike.\n")
	}
}

// geometryPart is the same as a part of a page to keep.
func geometryPart(v *geometry.View) []report.Part {
	if v == nil || len(v.Rows) < 2 {
		return nil
	}
	t := report.Table{Head: []string{"who", "cylinders", "heads", "sectors"}, Right: []bool{false, true, true, true}}
	for _, r := range v.Rows {
		cylinders := "-"
		if r.Cylinders > 0 {
			cylinders = disk.Grouped(r.Cylinders)
		}
		t.Rows = append(t.Rows, []string{whoCounts(r), cylinders, strconv.Itoa(r.Heads), strconv.Itoa(r.Sectors)})
	}
	blocks := []report.Block{t}
	for _, text := range v.Says {
		blocks = append(blocks, report.Text(text))
	}
	if len(v.Says) == 0 {
		blocks = append(blocks, report.Text("All of them count alike."))
	}
	return []report.Part{{Heading: "Counted by cylinder, head and sector", Blocks: blocks}}
}

func whoCounts(r geometry.Row) string {
	switch {
	case r.Who == geometry.Volume && r.Volume > 0:
		return fmt.Sprintf("volume %d", r.Volume)
	case r.Who == geometry.DriveNow:
		return "drive, now"
	}
	return string(r.Who)
}
