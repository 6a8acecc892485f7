package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

// verifyArchive compares the image of a capture with the digests in its
// record.
func verifyArchive(ctx context.Context, u *talk.UI, path, record string) error {
	if record == "" {
		record = path + capture.RecordSuffix
	}
	f, err := os.Open(record)
	if err != nil {
		return fmt.Errorf("%s has no record that could tell what was read: %w", path, err)
	}
	defer f.Close()
	rec, err := capture.ReadRecord(f)
	var damaged *capture.FormatError
	if errors.As(err, &damaged) {
		rec, err = capture.Salvage(f, path)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", record, err)
	}
	img, err := image.Open(path, rec.SectorSize)
	if err != nil {
		return input.SourceError(path, err)
	}
	defer img.Close()
	c, err := rec.Verify(ctx, img)
	if err != nil {
		return input.CaptureError(err)
	}
	if rec.Damage != nil {
		c.Damaged = c.Damaged.Union(rec.Damage.Lost)
	}
	if err = archived(u, path, c); err == nil && rec.Damage != nil {
		return talk.Coded(talk.ExitDifferent, fmt.Errorf("%w. What is proved of it is in order; the capture command that made it puts the record right", damaged))
	}
	return err
}

func archived(u *talk.UI, path string, c *capture.Check) error {
	j := document.NewArchive(c)
	u.Document(j)
	u.Answerf("%s\nSHA-256 of the file as it lies:\n  %s\n", path, j.SHA256)
	switch {
	case j.Promised == nil:
		u.Answerf("The record names none for the whole file: the capture was not brought to its end.\n")
	case *j.Promised == j.SHA256:
		u.Answerf("That is what the record says.\n")
	default:
		u.Answerf("The record says:\n  %s\n", *j.Promised)
	}
	if n := c.Unchecked.Sectors(); n > 0 {
		u.Answerf("%s no digest covers:\n", disk.Counted(n, "known sector"))
		page.Spans(u, c.Unchecked)
	}
	if n := c.Damaged.Sectors(); n > 0 {
		u.Answerf("%s in spans that are no longer what was read:\n", disk.Counted(n, "sector"))
		page.Spans(u, c.Damaged)
		return talk.Coded(talk.ExitDifferent, fmt.Errorf("%s is damaged in %s of sectors", path, disk.Counted(len(c.Damaged), "span")))
	}
	if j.Promised != nil && *j.Promised != j.SHA256 {
		return talk.Coded(talk.ExitDifferent, fmt.Errorf("%s is not the file that the record describes", path))
	}
	u.Answerf("Every span is what was read.\n")
	return nil
}
