package demo

import (
	"errors"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

// Bad are the sectors that the invented drive cannot read: one of the first
// allocation table, one in a recording, a scratch across the end of another, and
// a run that no file uses.
var Bad = disk.Spans{{Start: 101, Count: 1}, {Start: 3001, Count: 1}, {Start: 7700, Count: 24},
	{Start: 300_000, Count: 40}}

// looseAt is the sector at which the plug of the invented drive slips out, the
// first time that it is read.
const looseAt = 5_000

// dyingDrive plays a drive with bad sectors and a loose plug, on top of an
// image file.
type dyingDrive struct {
	image.Source
	slipped bool // once
	gone    bool
}

// Identity implements capture.Drive.
func (*dyingDrive) Identity() image.Identity {
	return image.Identity{Model: "TAWNY 268", Serial: "TW-000417", Bus: "ata"}
}

// ReadAt reads like a drive: a good sector at once, a bad one never, after a
// while.
func (d *dyingDrive) ReadAt(p []byte, off int64) (int, error) {
	s := disk.Between(disk.Sector(off/sectorSize), disk.Sector((off+int64(len(p)))/sectorSize))
	if !d.slipped && s.Holds(looseAt) {
		d.slipped, d.gone = true, true
	}
	if d.gone {
		return 0, &image.ReadError{Span: s, Fault: image.Gone, Err: errors.New("no such device")}
	}
	if len(Bad.Within(s)) > 0 {
		time.Sleep(5 * time.Millisecond)
		return 0, &image.ReadError{Span: s, Fault: image.BadSector, Err: errors.New("input/output error")}
	}
	return d.Source.ReadAt(p, off)
}

// plug is the name under which the demonstration's commands find the
// invented drive.
const plug = "the-old-drive"

// plugIn makes the invented drive answer to its name, once.
func (d *demo) plugIn(drive *dyingDrive) {
	drive.gone = false
	d.played = map[string]capture.Drive{plug: drive}
}
