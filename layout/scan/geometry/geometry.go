// Package geometry compares in what a disk is counted by those who count it in
// cylinders, heads and sectors: the drive, its table, its volumes, and the machine.
//
// A place that is named by cylinder, head and sector is another sector with other
// numbers of heads and of sectors in a track: LBA = (C * heads + H) * sectors + S - 1
// (ATA-3, Annex B). Boot code of such machines counts by what its volume or its table
// says, or by what the machine answers; where these differ, it reads elsewhere.
//
// What the kernel says of a geometry is left aside: it invents it (HDIO_GETGEO).
package geometry

import (
	"fmt"
	"strings"

	"bootgraft/layout"
)

// Who counts.
type Who string

// Those who count.
const (
	Drive    Who = "drive"     // as it was made: words 1, 3 and 6 of IDENTIFY DEVICE
	DriveNow Who = "drive-now" // as it was told to: words 54 to 56
	Table    Who = "table"     // the tuples of its entries
	Volume   Who = "volume"    // BPB_SecPerTrk and BPB_NumHeads of a boot sector
	Machine  Who = "machine"   // as its owner says
)

// Row is in what one of them counts.
type Row struct {
	Who    Who
	Volume int // index of its entry, 0 for one without a table; of volumes alone
	layout.Geometry
}

// name is a row in a sentence.
func (r Row) name() string {
	switch {
	case r.Who == Volume && r.Volume > 0:
		return fmt.Sprintf("volume %d", r.Volume)
	case r.Who == DriveNow:
		return "the drive now"
	}
	return "the " + string(r.Who)
}

// View is all of them beside each other.
type View struct {
	Rows []Row    // of those that say it: drive, table, volumes, machine
	Says []string // what it means where they disagree; empty where all count alike
}

// Compare puts what the table and the volumes of a disk count in beside others, which
// are rows of a drive or of a machine.
func Compare(m *layout.Map, others ...Row) *View {
	v := &View{}
	v.take(others, Drive, DriveNow)
	for _, t := range m.Tables {
		if t.State == layout.InForce && t.Geometry.Known() {
			v.Rows = append(v.Rows, Row{Who: Table, Geometry: t.Geometry})
		}
	}
	for _, l := range m.Volumes {
		if l.Geometry.Known() {
			v.Rows = append(v.Rows, Row{Who: Volume, Volume: l.Index, Geometry: l.Geometry})
		}
	}
	v.take(others, Machine)
	v.judge()
	return v
}

// take adds rows of some kinds, where they say anything.
func (v *View) take(rows []Row, kinds ...Who) {
	for _, kind := range kinds {
		for _, r := range rows {
			if r.Who == kind && r.Known() {
				v.Rows = append(v.Rows, r)
			}
		}
	}
}

// of returns the first row of a kind, or nil.
func (v *View) of(kind Who) *Row {
	for i := range v.Rows {
		if v.Rows[i].Who == kind {
			return &v.Rows[i]
		}
	}
	return nil
}

// judge says what the differences mean.
func (v *View) judge() {
	table, machine := v.of(Table), v.of(Machine)
	drive := v.of(DriveNow)
	if drive == nil {
		drive = v.of(Drive)
	}
	var apart []string // volumes that count otherwise than the table
	for i := range v.Rows {
		if r := &v.Rows[i]; r.Who == Volume && table != nil && !r.Alike(table.Geometry) {
			apart = append(apart, fmt.Sprintf("%s with %s", r.name(), r.text()))
		}
	}
	if len(apart) > 0 {
		v.say("The table counts with %s, and %s: boot code that takes its numbers from one of them finds its sectors only "+
			"where the machine counts like that one.", table.text(), strings.Join(apart, ", "))
	}
	ours := table
	if ours == nil {
		ours = v.of(Volume)
	}
	switch {
	case ours == nil:
	case machine != nil && v.others(machine) != "":
		v.say("The machine counts with %s, unlike %s: a loader that counts in cylinders reads other sectors there "+
			"than it was written for. Loaders that use sector numbers do not mind. --set-heads of plan changes what the table "+
			"and the boot sectors say.", machine.text(), v.others(machine))
	case drive != nil && !drive.Alike(ours.Geometry):
		v.say("The drive counts with %s, and %s with %s. That is usual where a machine translates: a drive has at most 16 "+
			"heads, and a PC counts up to 255. A device that hands on what a drive says takes it from the card, and the card "+
			"may say something else.", drive.text(), ours.name(), ours.text())
	}
	if len(v.Says) > 0 && machine == nil && ours != nil {
		v.say("What the machine counts in is not known here: --machine-geometry C/H/S says it.")
	}
}

func (v *View) say(format string, args ...any) { v.Says = append(v.Says, fmt.Sprintf(format, args...)) }

// others lists table and volumes that count otherwise than the machine.
func (v *View) others(machine *Row) string {
	var out []string
	for i := range v.Rows {
		if r := &v.Rows[i]; (r.Who == Table || r.Who == Volume) && !r.Alike(machine.Geometry) {
			out = append(out, fmt.Sprintf("%s (%s)", r.name(), r.text()))
		}
	}
	return strings.Join(out, ", ")
}

// text is what decides where a tuple leads: the number of cylinders does not.
func (r Row) text() string { return fmt.Sprintf("%d heads and %d sectors", r.Heads, r.Sectors) }
