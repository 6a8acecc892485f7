package scan

import (
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume/ext"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/probe"
)

// recognise looks for a volume in the given sectors: of entry number index,
// or bare on the disk if index is 0. It returns nil if there is none that it
// knows.
func (s *surveyor) recognise(span disk.Span, index int) (*layout.Volume, error) {
	for _, ask := range []func(disk.Span, int) (*layout.Volume, error){s.askFAT, s.askExt, s.askOther} {
		v, err := ask(span, index)
		if v != nil {
			return v, nil
		}
		if err := s.tolerate(err, span, index); err != nil {
			return nil, err
		}
	}
	return nil, nil
}

// tolerate turns the errors that belong to the disk into findings. A failed
// read of the source comes back.
func (s *surveyor) tolerate(err error, span disk.Span, index int) error {
	var format *disk.FormatError
	var unknown *image.UnknownError
	switch {
	case err == nil, errors.As(err, &format) && format.Fault == disk.Absent:
		return nil
	case errors.As(err, &format):
		if index > 0 || format.Fault == disk.Unsupported {
			s.note(disk.Warningf(disk.VolumeNotReadable, span.Start, "%s: %v. Nothing in it is interpreted", where(index), format))
		}
		return nil
	case errors.As(err, &unknown):
		s.note(disk.Warningf(disk.VolumeNotKnown, span.Start, "%s: what is in it cannot be told: %v", where(index), err).Hiding())
		return nil
	}
	return err
}

func where(index int) string {
	if index == 0 {
		return "the disk without a table"
	}
	return fmt.Sprintf("entry %d", index)
}

func (s *surveyor) askFAT(span disk.Span, index int) (*layout.Volume, error) {
	v, err := fat.Read(image.NewWindow(s.src, span))
	if err != nil {
		return nil, err
	}
	s.out.FAT[index] = v
	for _, f := range v.Findings {
		s.noteIn(onDisk(f, span), index)
	}
	for _, f := range v.CheckPlace(span.Start, span.Count) {
		s.noteIn(f, index) // counts from the start of the disk already
	}
	l := v.Layout(span.Start, index)
	if len(s.looked.Within(span)) == 0 { // overlapping entries could have the same tables read without end
		if !s.opt.Short && !s.opt.Structure {
			s.fatUsage(v, &l, span)
		}
	}
	return &l, nil
}

// fatUsage counts the clusters in use and compares the copies of the table:
// both come out of one reading of the tables, which are small.
func (s *surveyor) fatUsage(v *fat.Volume, l *layout.Volume, span disk.Span) {
	t, err := v.ActiveTable()
	if err != nil {
		s.noteIn(disk.Warningf(disk.FATTableNotReadable, span.Start, "its allocation table cannot be read: %v", err), l.Index)
		return
	}
	for _, f := range append(t.Findings, v.CompareTables()...) {
		s.noteIn(onDisk(f, span), l.Index)
	}
	if u := t.Usage(); u.Unknown == 0 {
		l.UsedBytes = int64(u.Used) * v.ClusterBytes()
	}
}

func (s *surveyor) askExt(span disk.Span, index int) (*layout.Volume, error) {
	v, err := ext.Read(image.NewWindow(s.src, span))
	if err != nil {
		return nil, err
	}
	s.out.Ext[index] = v
	for _, f := range v.Findings {
		s.noteIn(onDisk(f, span), index)
	}
	l := v.Layout(span.Start, index)
	return &l, nil
}

func (s *surveyor) askOther(span disk.Span, index int) (*layout.Volume, error) {
	v, findings, err := probe.Recognise(s.src, span)
	if err != nil {
		return nil, err
	}
	if v == nil {
		return nil, nil
	}
	v.Index = index
	for _, f := range findings {
		s.noteIn(f, index)
	}
	return v, nil
}

// onDisk turns the sector of a finding from the volume's into the disk's.
func onDisk(f disk.Finding, span disk.Span) disk.Finding {
	if f.Sector != disk.NoSector {
		f.Sector += span.Start
	}
	return f
}

// noteIn adds a finding about the volume of one entry.
func (s *surveyor) noteIn(f disk.Finding, index int) {
	f.Text = where(index) + ": " + f.Text
	s.note(f)
}

// slack looks at the sectors of an entry after the end of its volume: what is
// there would be lost if the entry became shorter.
func (s *surveyor) slack(v *layout.Volume, entry disk.Span) error {
	if s.opt.Structure || !v.Sized || v.End() >= entry.End() {
		return nil
	}
	c, err := s.observe(disk.Between(v.End(), entry.End()))
	if err != nil {
		return err
	}
	v.Slack = &c
	return nil
}
