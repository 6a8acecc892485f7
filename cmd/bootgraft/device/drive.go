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
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/ata"
	"bootgraft/safety/blockdev"
)

// OpenDrive opens a drive for reading, or the next one that is plugged in.
func OpenDrive(ctx context.Context, u *talk.UI, path string) (d *blockdev.Source, err error) {
	if path == "next" {
		d, err = blockdev.NextSource(ctx, waiting(u, "Plug the drive in now."))
	} else {
		d, err = blockdev.OpenSource(path)
	}
	if err != nil {
		return nil, input.DeviceError(path, err)
	}
	if path == "next" {
		u.Sayf("%s came: %s", d.Name(), page.IdentityText(d.Identity()))
	}
	input.SayTold(u, d)
	return d, nil
}

// waiting says what to do while one new disk is waited for.
func waiting(u *talk.UI, do string) func() {
	return func() { u.Sayf("%s Waiting for one new disk; Ctrl-C stops.", do) }
}

// AskDrive asks a drive what it is. One that is locked is refused before anything is
// read of it: every read would fail.
func AskDrive(path string, d interface{ Drive() ata.Drive }) (ata.Drive, error) {
	said := d.Drive()
	if said.Locked() {
		f := said.Identify.Security.Findings()[0]
		return said, talk.Refusef("refusing to read %s (%s, serial %s): %s. bootgraft help %s says what to do",
			path, said.Identify.Model, said.Identify.Serial, f.Text, f.Code)
	}
	return said, nil
}

// List shows the disks of this machine. next are the lines that go on with one of them.
func List(u *talk.UI, next ...string) error {
	all, err := blockdev.Disks()
	if errors.Is(err, blockdev.ErrUnsupported) {
		return talk.Coded(talk.ExitRefused, input.ErrNoDisks)
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
		page.Disks(u, all, time.Now())
	}
	for i := range next {
		next[i] = words.AsRoot(next[i])
	}
	u.Next("Not sure which one it is? Type next instead of a disk, then plug it in. Or:", next...)
	return nil
}
