package second

import (
	"errors"
	"fmt"

	theirgpt "github.com/diskfs/go-diskfs/partition/gpt"
	theirmbr "github.com/diskfs/go-diskfs/partition/mbr"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/table/gpt"
	"bootgraft/layout/table/mbr"
)

// table compares what the library reads through view with the survey of src.
func table(src image.Source, view image.Source, s *layout.Map) Opinion {
	o := Opinion{About: "the " + s.Table + " table"}
	b := &storage{src: view}
	err := errors.New("it reads mbr and gpt only")
	switch s.Table {
	case "mbr":
		err = o.compareMBR(src, b)
	case "gpt":
		err = o.compareGPT(src, b)
	case "conflict":
		o.About = "the tables"
		err = errors.New("several contradict each other")
	}
	o.judge(err)
	return o
}

func (o *Opinion) compareMBR(src image.Source, b *storage) error {
	t, err := mbr.Read(src)
	switch {
	case err != nil:
		return errors.New("sector 0 is not known")
	case t.Hybrid():
		return errors.New("it cannot read a boot record with an EE record and others beside it")
	}
	for _, e := range t.Entries() {
		if e.Extended || e.Index > mbr.Records {
			return fmt.Errorf("it does not follow extended partitions, and entry %d is one", e.Index)
		}
	}
	got, err := guarded(b, func() (*theirmbr.Table, error) { return theirmbr.Read(b, src.SectorSize(), src.SectorSize()) })
	if err != nil {
		return err
	}
	var theirs, ours []string
	for i, g := range got.Partitions {
		theirs = append(theirs, recordText(i, byte(g.Type), g.Start, g.Size, g.Bootable))
	}
	for i := range mbr.Records {
		r := t.Boot.Record(i)
		ours = append(ours, recordText(i, r.Type, r.Start, r.Count, r.Active()))
	}
	return o.alike(theirs, ours)
}

func recordText(i int, kind byte, start, count uint32, active bool) string {
	return fmt.Sprintf("record %d: type %02X, %d sectors from sector %d, active %v", i+1, kind, count, start, active)
}

// readableGPT refuses the forms that the specification allows and the library
// does not read (fields: EFI Specification 1.02, table 16-1).
func readableGPT(t *gpt.Table) error {
	h := t.InForce.Header
	raw := h.Bytes()
	switch {
	case t.InForce != t.Primary:
		return errors.New("the first copy is not valid, and it does not always look for the second")
	case t.MBR != nil && t.MBR.Hybrid():
		return errors.New("it takes a hybrid boot record for an ordinary one")
	case h.Size() != 92:
		return fmt.Errorf("it reads headers of 92 bytes only, this one has %d", h.Size())
	case h.EntrySize() != theirgpt.PartitionEntrySize:
		return fmt.Errorf("it reads entries of %d bytes only, these have %d", theirgpt.PartitionEntrySize, h.EntrySize())
	case string(raw[8:12]) != "\x00\x00\x01\x00":
		return errors.New("it reads revision 1.0 only")
	case string(raw[20:24]) != "\x00\x00\x00\x00":
		return errors.New("it wants zeros in the reserved bytes 20 to 23 of the header")
	}
	return nil
}

func (o *Opinion) compareGPT(src image.Source, b *storage) error {
	t, err := gpt.Read(src)
	if err == nil {
		err = readableGPT(t)
	}
	if err != nil {
		return err
	}
	o.Sector = t.InForce.At
	got, err := guarded(b, func() (*theirgpt.Table, error) { return theirgpt.Read(b, src.SectorSize(), src.SectorSize()) })
	switch {
	case err != nil:
		return err
	case got.RecoveredFromBackup:
		return differf("it finds the first copy damaged")
	case got.GUID != t.DiskGUID().String():
		return differf("the disk has the identifier %s; ours: %s", got.GUID, t.DiskGUID())
	}
	var theirs, ours []string
	for _, g := range got.Partitions {
		theirs = append(theirs, partitionText(g.Index, string(g.Type), g.GUID, g.Start, g.End, g.Attributes, g.Name))
	}
	for i, e := range t.Entries() {
		if e.Used() {
			ours = append(ours, partitionText(i+1, e.Type.String(), e.Unique.String(), e.First, e.Last, e.Attributes, e.Name))
		}
	}
	return o.alike(theirs, ours)
}

func partitionText(index int, kind, id string, first, last, attributes uint64, name string) string {
	return fmt.Sprintf("entry %d: type %s, identifier %s, sectors %d to %d, attributes %X, name %q",
		index, kind, id, first, last, attributes, name)
}
