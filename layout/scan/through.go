package scan

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/table/apple"
)

// Through is a table, or a volume that fills the disk, which shows itself when
// the disk is read in another byte order, or under another signature.
type Through struct {
	Order     image.Order
	Signature string // in place of the one that the format has; empty if it has its own
	Table     layout.Table
	Volumes   []layout.Volume
}

// maxThrough bounds in how many entries of such a table a volume is looked for: by
// hand, no source; tables that people make have far fewer.
const maxThrough = 64

// Text says in one line what was found.
func (t *Through) Text() string {
	text := fmt.Sprintf("read %s, this disk has", t.Order)
	if t.Table.Kind != "" {
		text += fmt.Sprintf(" a table of kind %s with %s", t.Table.Kind, entriesText(len(t.Table.Entries)))
		if t.Signature != "" {
			text += fmt.Sprintf(" under the signature % X", t.Signature)
		}
	}
	for i, v := range t.Volumes {
		switch {
		case i == 0 && t.Table.Kind == "":
		case i == 0:
			text += ", and"
		default:
			text += ","
		}
		text += fmt.Sprintf(" a volume of kind %s at sector %s", v.Kind, disk.Grouped(v.Start))
	}
	return text
}

func (t *Through) finding() disk.Finding {
	return disk.Notef(disk.TableThroughByteOrder, 0,
		"%s. The device may keep its disk so. Nothing is read through it, and numbers in it name the size "+
			"of this disk", t.Text())
}

// through looks for a table in one byte order. In the plain order only a
// table under another signature is new.
func through(ctx context.Context, src image.Source, order image.Order) (*Through, error) {
	lens := image.NewLens(src, order)
	sub := newSurveyor(ctx, lens, Options{Short: true})
	t := &Through{Order: order}
	if order != image.Plain {
		done, err := sub.plainTable(t)
		if done || err != nil {
			return t, err
		}
	}
	signature, table, err := otherSignature(lens)
	if table == nil || err != nil {
		return nil, err
	}
	t.Signature, t.Table = signature, *table
	return t, sub.volumesOf(t)
}

// plainTable asks all detectors, through the lens that s reads.
func (s *surveyor) plainTable(t *Through) (bool, error) {
	tables, err := s.detect()
	if err != nil {
		return false, err
	}
	bare, err := s.bare(image.Whole(s.src), tables)
	if err != nil {
		return false, err
	}
	tables = s.withoutBootCode(tables, bare)
	kind := s.decide(tables, bare)
	for i := range tables {
		if tables[i].Kind == kind && tables[i].State == layout.InForce && len(tables[i].Entries) > 0 {
			t.Table = tables[i].Table
		}
	}
	if t.Table.Kind == "" && bare != nil && kind == "none" {
		t.Volumes = append(t.Volumes, *bare)
		return true, nil
	}
	return t.Table.Kind != "", s.volumesOf(t)
}

// volumesOf names the volumes in the entries of a table.
func (s *surveyor) volumesOf(t *Through) error {
	for _, e := range t.Table.Entries[:min(len(t.Table.Entries), maxThrough)] {
		span := e.Span.Common(image.Whole(s.src))
		if !e.HoldsVolume() || span.Empty() {
			continue
		}
		v, err := s.recognise(span, e.Index)
		if err != nil {
			return err
		}
		if v != nil {
			t.Volumes = append(t.Volumes, *v)
		}
	}
	return nil
}

// resigned is a disk with some first sectors replaced.
type resigned struct {
	image.Source
	head []byte
}

func (r *resigned) ReadAt(p []byte, off int64) (int, error) {
	n, err := r.Source.ReadAt(p, off)
	if off >= 0 && off < int64(len(r.head)) {
		copy(p[:n], r.head[off:])
	}
	return n, err
}

// otherSignature looks for an Apple partition map whose blocks have another
// signature than the format's: all of them the same one, and the same number
// of blocks (Inside Macintosh: Devices, chapter 3: pmSig, pmMapBlkCnt).
func otherSignature(src image.Source) (signature string, t *layout.Table, err error) {
	// A block of the format is 512 bytes, whatever the disk. 64 of them are by hand,
	// no source: a map in use has some tens at most.
	const block, most = 512, 64
	head := make([]byte, min(src.Size(), block*(most+1)))
	if len(head) < 3*block || len(image.Unknown(src, disk.Span{Count: disk.Sector(len(head) / src.SectorSize())})) > 0 {
		return "", nil, nil
	}
	if err := image.ReadFull(src, head, 0); err != nil {
		return "", nil, err
	}
	first := head[block:]
	count := binary.BigEndian.Uint32(first[4:])
	own := string(first[:2])
	if own == "PM" || own == "TS" || own == "\x00\x00" || count < 2 || count > most || int(count+1)*block > len(head) {
		return "", nil, nil
	}
	for i := 1; i <= int(count); i++ {
		b := head[i*block:]
		if string(b[:2]) != own || binary.BigEndian.Uint32(b[4:]) != count {
			return "", nil, nil
		}
		copy(b, "PM")
	}
	copy(head, "ER")
	binary.BigEndian.PutUint16(head[2:], block)
	found, err := apple.Read(&resigned{src, head[:(count+1)*block]})
	var format *disk.FormatError
	switch {
	case errors.As(err, &format):
		return "", nil, nil // not such a map after all
	case err != nil:
		return "", nil, err
	case found.State == layout.Damaged:
		return "", nil, nil
	}
	return own, &found.Table, nil
}
