package device

import (
	"context"

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
