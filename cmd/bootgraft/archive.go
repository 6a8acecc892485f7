package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"bootgraft/image"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
)

type archiveJSON struct {
	Schema    int         `json:"schema"`
	Damaged   []disk.Span `json:"damaged"`
	Unchecked []disk.Span `json:"unchecked"`
	SHA256    string      `json:"sha256"`
	Promised  *string     `json:"promised_sha256"`
}

// verifyArchive compares the image of a capture with the digests in its
// record.
func verifyArchive(ctx context.Context, u *ui, path, record string) error {
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
		return sourceError(path, err)
	}
	defer img.Close()
	c, err := rec.Verify(ctx, img)
	if err != nil {
		return captureError(err)
	}
	if rec.Damage != nil {
		c.Damaged = c.Damaged.Union(rec.Damage.Lost)
	}
	if err = u.archived(path, c); err == nil && rec.Damage != nil {
		return coded(exitDifferent, fmt.Errorf("%w. What is proved of it is in order; the capture command that made it puts the record right", damaged))
	}
	return err
}

func (u *ui) archived(path string, c *capture.Check) error {
	j := archiveJSON{Schema: schema, Damaged: spansObject(c.Damaged), Unchecked: spansObject(c.Unchecked), SHA256: c.SHA256.String()}
	if c.Promised != nil {
		text := c.Promised.String()
		j.Promised = &text
	}
	if err := u.object(j); err != nil {
		return err
	}
	u.answerf("%s\nSHA-256 of the file as it lies:\n  %s\n", path, j.SHA256)
	switch {
	case j.Promised == nil:
		u.answerf("The record names none for the whole file: the capture was not brought to its end.\n")
	case *j.Promised == j.SHA256:
		u.answerf("That is what the record says.\n")
	default:
		u.answerf("The record says:\n  %s\n", *j.Promised)
	}
	if n := c.Unchecked.Sectors(); n > 0 {
		u.answerf("%s no digest covers:\n", counted(n, "known sector"))
		u.showSpans(c.Unchecked)
	}
	if n := c.Damaged.Sectors(); n > 0 {
		u.answerf("%s in spans that are no longer what was read:\n", counted(n, "sector"))
		u.showSpans(c.Damaged)
		return coded(exitDifferent, fmt.Errorf("%s is damaged in %s of sectors", path, counted(len(c.Damaged), "span")))
	}
	if j.Promised != nil && *j.Promised != j.SHA256 {
		return coded(exitDifferent, fmt.Errorf("%s is not the file that the record describes", path))
	}
	u.answerf("Every span is what was read.\n")
	return nil
}
