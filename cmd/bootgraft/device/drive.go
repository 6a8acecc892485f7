package device

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

// OpenDrive opens a drive for reading, or the next one that is plugged in.
func OpenDrive(ctx context.Context, u *talk.UI, path string) (d *blockdev.Source, err error) {
	if path == "next" {
		d, err = blockdev.NextSource(ctx, func() { u.Sayf("Plug the drive in now. Waiting for one new disk; Ctrl-C stops.") })
	} else {
		d, err = blockdev.OpenSource(path)
	}
	if err != nil {
		return nil, input.DeviceError(path, err)
	}
	if path == "next" {
		u.Sayf("%s came: %s", d.Name(), page.IdentityText(d.Identity()))
	}
	return d, nil
}

// List shows the disks of this machine. next is how to go on with one.
func List(u *talk.UI, next string) error {
	all, err := blockdev.Disks()
	if errors.Is(err, blockdev.ErrUnsupported) {
		return talk.Coded(talk.ExitRefused, input.ErrNoDevices)
	}
	if err != nil {
		return fmt.Errorf("the disks of this machine could not be listed: %w", err)
	}
	if u.JSON {
		u.Document(document.NewDisks(all))
		return nil
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
