package page

import (
	"fmt"
	"strconv"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/geometry"
)

// counted shows beside each other in what a disk is counted, where more than one says it,
// and what it means that they disagree.
func counted(v *geometry.View) report.Part {
	if v == nil || len(v.Rows) < 2 {
		return report.Part{}
	}
	t := report.NewTable("  (who)<14 | cylinders>9 | heads>6 | sectors>8")
	for _, r := range v.Rows {
		cylinders := "-"
		if r.Cylinders > 0 {
			cylinders = disk.Grouped(r.Cylinders)
		}
		t.Add(whoCounts(r), cylinders, strconv.Itoa(r.Heads), strconv.Itoa(r.Sectors))
	}
	blocks := []report.Block{t}
	for _, text := range v.Says {
		blocks = append(blocks, report.Text(text))
	}
	if len(v.Says) == 0 {
		blocks = append(blocks, report.Text("All of them count alike."))
	}
	return report.NewPart("Counted by cylinder, head and sector", blocks...)
}

// Geometry shows it.
func Geometry(u *talk.UI, v *geometry.View) { u.Answerf("%s", report.Screen(counted(v))) }

func whoCounts(r geometry.Row) string {
	switch {
	case r.Who == geometry.Volume && r.Volume > 0:
		return fmt.Sprintf("volume %d", r.Volume)
	case r.Who == geometry.DriveNow:
		return "drive, now"
	}
	return string(r.Who)
}
