package second

import (
	"io"

	theirgpt "github.com/diskfs/go-diskfs/partition/gpt"
	theirmbr "github.com/diskfs/go-diskfs/partition/mbr"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/table/gpt"
	"bootgraft/layout/table/mbr"
)

// Table asks about the table in force. ok is false if there is none.
func Table(src image.Source, s *layout.Map) (o Opinion, ok bool) {
	if s.Table == "none" {
		return Opinion{}, false
	}
	return table(src, src, s), true
}

// table compares what the library reads through view with the survey of src.
func table(src image.Source, view io.ReaderAt, s *layout.Map) Opinion {
	o := Opinion{About: "the " + s.Table + " table"}
	var err error
	switch s.Table {
	case "mbr":
		err = o.compareMBR(src, view)
	case "gpt":
		err = o.compareGPT(src, view)
	case "conflict":
		o.About = "the tables"
		err = refusef("several contradict each other")
	default:
		err = refusef("it reads mbr and gpt only")
	}
	o.judge(err)
	return o
}

func (o *Opinion) compareMBR(src image.Source, view io.ReaderAt) error {
	t, err := mbr.Read(src)
	switch {
	case err != nil:
		return refusef("sector 0 is not known")
	case t.Hybrid():
		return refusef("it cannot read a boot record with an EE record and others beside it")
	}
	for _, e := range t.Entries() {
		if e.Extended || e.Index > mbr.Records {
			return refusef("it does not follow extended partitions, and entry %d is one", e.Index)
		}
	}
	b := newStorage(view, src.Size())
	got, err := guarded(func() (*theirmbr.Table, error) { return theirmbr.Read(b, src.SectorSize(), src.SectorSize()) })
	if spoiled := b.spoiled(); spoiled != nil {
		return spoiled
	} else if err != nil {
		return err
	}
	if len(got.Partitions) != mbr.Records {
		return differf("it lists %d records, a boot record has %d", len(got.Partitions), mbr.Records)
	}
	for i, g := range got.Partitions {
		r := t.Boot.Record(i)
		if g.Start != r.Start || g.Size != r.Count || byte(g.Type) != r.Type || g.Bootable != r.Active() {
			return differf("record %d: type %02X, %d sectors from sector %d, active %v; ours: type %02X, %d sectors from "+
				"sector %d, active %v",
				i+1, byte(g.Type), g.Size, g.Start, g.Bootable, r.Type, r.Count, r.Start, r.Active())
		}
		o.Compared.Entries++
	}
	return nil
}

// Offsets of header fields that the library wants to have one value (EFI
// Specification 1.02, table 16-1).
const (
	headerRevision = 8
	headerReserved = 20
)

// readableGPT refuses the forms that the specification allows and the library
// does not read.
func readableGPT(src image.Source, t *gpt.Table) error {
	if t.InForce != t.Primary {
		return refusef("the first copy is not valid, and it does not always look for the second")
	}
	if t.MBR != nil && t.MBR.Hybrid() {
		return refusef("it takes a hybrid boot record for an ordinary one")
	}
	h := t.InForce.Header
	raw := h.Bytes()
	switch {
	case h.Size() != 92:
		return refusef("it reads headers of 92 bytes only, this one has %d", h.Size())
	case h.EntrySize() != theirgpt.PartitionEntrySize:
		return refusef("it reads entries of %d bytes only, these have %d", theirgpt.PartitionEntrySize, h.EntrySize())
	case string(raw[headerRevision:headerRevision+4]) != "\x00\x00\x01\x00":
		return refusef("it reads revision 1.0 only")
	case string(raw[headerReserved:headerReserved+4]) != "\x00\x00\x00\x00":
		return refusef("it wants zeros in the reserved bytes 20 to 23 of the header")
	}
	if unknown := image.Unknown(src, disk.Span{Count: 2}); len(unknown) > 0 {
		return refusef("sector %d is not known", unknown[0].Start)
	}
	return nil
}

func (o *Opinion) compareGPT(src image.Source, view io.ReaderAt) error {
	t, err := gpt.Read(src)
	if err != nil {
		return refusef("the first copy is not valid, and it does not always look for the second")
	}
	if err := readableGPT(src, t); err != nil {
		return err
	}
	o.Sector = t.InForce.At
	b := newStorage(view, src.Size())
	got, err := guarded(func() (*theirgpt.Table, error) { return theirgpt.Read(b, src.SectorSize(), src.SectorSize()) })
	if spoiled := b.spoiled(); spoiled != nil {
		return spoiled
	} else if err != nil {
		return err
	}
	if got.RecoveredFromBackup {
		return differf("it finds the first copy damaged")
	}
	if got.GUID != t.DiskGUID().String() {
		return differf("the disk has the identifier %s; ours: %s", got.GUID, t.DiskGUID())
	}
	rest := got.Partitions
	for i, e := range t.Entries() {
		if !e.Used() {
			continue
		}
		if len(rest) == 0 {
			return differf("entry %d is missing", i+1)
		}
		if err := compareGPTEntry(i+1, rest[0], e); err != nil {
			return err
		}
		rest = rest[1:]
		o.Compared.Entries++
	}
	if len(rest) > 0 {
		return differf("it has an entry %d, ours has not", rest[0].Index)
	}
	return nil
}

func compareGPTEntry(index int, g *theirgpt.Partition, e gpt.Entry) error {
	if g.Index == index && string(g.Type) == e.Type.String() && g.GUID == e.Unique.String() &&
		g.Start == e.First && g.End == e.Last && g.Attributes == e.Attributes && g.Name == e.Name {
		return nil
	}
	return differf("entry %d: type %s, sectors %d to %d, name %q; ours: entry %d, type %s, sectors %d to %d, name %q",
		g.Index, g.Type, g.Start, g.End, g.Name, index, e.Type, e.First, e.Last, e.Name)
}
