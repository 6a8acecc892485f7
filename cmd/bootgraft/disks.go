package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
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
		page.Disk(u, d, time.Now())
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

// nextDrive waits for a drive to be plugged in, and holds it for reading.
func nextDrive(u *talk.UI, ctx context.Context) (*blockdev.Source, error) {
	d, err := blockdev.NextSource(ctx, func() { u.Sayf("Plug the drive in now. Waiting for one new disk; Ctrl-C stops.") })
	if err != nil {
		return nil, input.DeviceError("next", err)
	}
	u.Sayf("%s came: %s", d.Name(), page.IdentityText(d.Identity()))
	return d, nil
}
