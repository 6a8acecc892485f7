package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/blockdev"
)

type disksJSON struct {
	Schema int              `json:"schema"`
	Disks  []machineDiskRow `json:"disks"`
}

type machineDiskRow struct {
	Node string `json:"node"`
	diskJSON
	Bytes     int64      `json:"bytes"`
	Model     string     `json:"model"`
	Serial    string     `json:"serial"`
	Bus       string     `json:"bus"`
	Removable bool       `json:"removable"`
	ReadOnly  bool       `json:"read_only"`
	Mounts    []string   `json:"mounts"`
	System    []string   `json:"system"`
	Since     *time.Time `json:"since"` // when its node was made; null if it has none
}

// listDisks shows the disks of this machine. next is how to go on with one.
func listDisks(u *talk.UI, next string) error {
	all, err := blockdev.Disks()
	if errors.Is(err, blockdev.ErrUnsupported) {
		return talk.Coded(talk.ExitRefused, input.ErrNoDevices)
	}
	if err != nil {
		return fmt.Errorf("the disks of this machine could not be listed: %w", err)
	}
	if u.JSON {
		return u.Object(document.KindDisks, disksObject(all))
	}
	if len(all) == 0 {
		u.Answerf("No disk is here that has a medium in it.\n")
	} else {
		u.Answerf("%-14s %17s %10s  %-8s  %s\n", "disk", "sectors", "GB", "attached", "what it says of itself")
	}
	for _, d := range all {
		showDisk(u, d, time.Now())
	}
	u.Answerf("\nNot sure which one it is? Type next instead of a disk, then plug it in. Or:\n\n  %s\n", next)
	return nil
}

func disksObject(all []blockdev.Disk) disksJSON {
	out := disksJSON{Schema: schema, Disks: []machineDiskRow{}}
	for _, d := range all {
		row := machineDiskRow{
			Node: d.Node, diskJSON: diskJSON{d.Sectors, d.SectorSize}, Bytes: d.Bytes(),
			Model: d.Identity.Model, Serial: d.Identity.Serial, Bus: d.Identity.Bus, Removable: d.Identity.Removable,
			ReadOnly: d.ReadOnly, Mounts: append([]string{}, d.Mounts...), System: append([]string{}, d.System...),
		}
		if !d.Since.IsZero() {
			row.Since = &d.Since
		}
		out.Disks = append(out.Disks, row)
	}
	return out
}

// maxMounts is how many folders are named in the list for a person.
const maxMounts = 6

// showDisk writes one disk: a line of the table, and what else must be known
// of it below.
func showDisk(u *talk.UI, d blockdev.Disk, now time.Time) {
	u.Wrapped(fmt.Sprintf("%-14s %17s %10.2f  %-8s  ", d.Node, disk.Grouped(d.Sectors), float64(d.Bytes())/1e9, attachedText(d.Identity.Bus)), nameText(d.Identity))
	if len(d.System) > 0 {
		u.Wrapped("    SYSTEM  ", "the running system stands on it: "+systemText(d.System))
	}
	if n := len(d.Mounts); n > 0 {
		text := "mounted on " + strings.Join(d.Mounts[:min(n, maxMounts)], ", ")
		if n > maxMounts {
			text += fmt.Sprintf(" and %d more", n-maxMounts)
		}
		u.Wrapped("    ", text)
	}
	var more []string
	if d.SectorSize != 512 {
		more = append(more, fmt.Sprintf("sectors of %d bytes", d.SectorSize))
	}
	if d.Identity.Removable {
		more = append(more, "removable")
	}
	if d.ReadOnly {
		more = append(more, "read-only")
	}
	if !d.Since.IsZero() {
		more = append(more, "here since "+sinceText(d.Since, now))
	}
	if len(more) > 0 {
		u.Wrapped("    ", strings.Join(more, ", "))
	}
}

func attachedText(bus string) string {
	if bus == "" {
		return "-"
	}
	return bus
}

// nameText is what a disk says of itself.
func nameText(id image.Identity) string {
	switch {
	case id.Model == "" && id.Serial == "":
		return "nothing"
	case id.Serial == "":
		return id.Model + ", no serial number"
	case id.Model == "":
		return "serial " + id.Serial
	}
	return id.Model + ", serial " + id.Serial
}

// sinceText names a moment as closely as a person needs it to tell what was
// plugged in just now.
func sinceText(t, now time.Time) string {
	t = t.In(now.Location())
	text := t.Format("15:04")
	if t.YearDay() != now.YearDay() || t.Year() != now.Year() {
		text = t.Format("2 January 2006, 15:04")
	}
	switch ago := now.Sub(t); {
	case ago < 0 || ago >= time.Hour:
		return text
	case ago < time.Minute:
		return text + " (" + disk.Counted(int64(ago.Seconds()), "second") + " ago)"
	default:
		return text + " (" + disk.Counted(int64(ago.Minutes()), "minute") + " ago)"
	}
}

// systemText names what of the running system stands on a disk.
func systemText(paths []string) string {
	return strings.ReplaceAll(strings.Join(paths, ", "), "/proc/self/exe", "this program")
}

// nextDrive waits for a drive to be plugged in, and holds it for reading.
func nextDrive(u *talk.UI, ctx context.Context) (*blockdev.Source, error) {
	d, err := blockdev.NextSource(ctx, func() { u.Sayf("Plug the drive in now. Waiting for one new disk; Ctrl-C stops.") })
	if err != nil {
		return nil, input.DeviceError("next", err)
	}
	u.Sayf("%s came: %s", d.Name(), identityText(d.Identity()))
	return d, nil
}

// planLine is what to type to plan for a card of this size.
func planLine(n disk.Sector, sectorSize int) string {
	line := fmt.Sprintf("bootgraft plan old.img --size %ds -o card.plan", n)
	if sectorSize != 512 {
		line += fmt.Sprintf(" --sector-size %d", sectorSize)
	}
	return line
}
