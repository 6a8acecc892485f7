package scan

import (
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/ext"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/resize"
	"bootgraft/layout/volume/probe"
)

// opener opens the volume that fills a source. Its error is a *disk.FormatError,
// or a failed read.
type opener func(src image.Source) (volume.Volume, error)

// openers are the formats whose files can be listed, in the order in which they
// are asked.
var openers = []opener{opens(fat.Read), opens(ext.Read)}

func opens[V volume.Volume](read func(image.Source) (V, error)) opener {
	return func(src image.Source) (volume.Volume, error) {
		v, err := read(src)
		if err != nil {
			return nil, err
		}
		return v, nil
	}
}

// Open opens a volume that the survey m of src found, to list its files. It
// reads from src what the survey read of it.
func Open(src image.Source, m *layout.Map, index int) (volume.Volume, error) {
	span := image.Whole(src)
	if e := m.Entry(index); e != nil {
		span = e.Common(span)
	}
	var faults []error
	for _, open := range openers {
		v, err := open(image.NewWindow(src, span))
		if err == nil {
			return v, nil
		}
		faults = append(faults, err)
	}
	return nil, fmt.Errorf("opening the volume in %s again: %w", where(index), errors.Join(faults...))
}

// resizers are the formats whose volumes can get another size.
var resizers = []func(volume.Volume) volume.Resizable{
	func(v volume.Volume) volume.Resizable {
		if f, ok := v.(*fat.Volume); ok {
			return resize.Of(f)
		}
		return nil
	},
}

// OpenResizable opens a volume that the survey m of src found, to change its size.
// It is nil if its format is only read.
func OpenResizable(src image.Source, m *layout.Map, index int) (volume.Resizable, error) {
	v, err := Open(src, m, index)
	if err != nil {
		return nil, err
	}
	for _, as := range resizers {
		if r := as(v); r != nil {
			return r, nil
		}
	}
	return nil, nil
}

// recognise looks for a volume in the given sectors: of entry number index,
// or bare on the disk if index is 0. It returns nil if there is none that it
// knows.
func (s *surveyor) recognise(span disk.Span, index int) (*layout.Volume, error) {
	for _, open := range openers {
		v, err := open(image.NewWindow(s.src, span))
		if err == nil {
			return s.describe(v, span, index), nil
		}
		if err := s.tolerate(err, span, index); err != nil {
			return nil, err
		}
	}
	v, err := s.askOther(span, index)
	if v != nil {
		return v, nil
	}
	return nil, s.tolerate(err, span, index)
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
			s.note(disk.Warningf(disk.VolumeNotReadable, span.Start, "%s: %v. Nothing in it is interpreted", where(index),
				format))
		}
		return nil
	case errors.As(err, &unknown):
		s.note(disk.Warningf(disk.VolumeNotKnown, span.Start, "%s: what is in it cannot be told: %v", where(index),
			err).Hiding())
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

// describe notes what is found of a volume that was opened.
func (s *surveyor) describe(v volume.Volume, span disk.Span, index int) *layout.Volume {
	for _, f := range v.Found() {
		s.noteIn(onDisk(f, span), index)
	}
	for _, f := range v.CheckPlace(span.Start, span.Count) {
		s.noteIn(f, index) // counts from the start of the disk already
	}
	l := v.Layout(span.Start, index)
	// Overlapping entries could have the same tables read without end.
	if len(s.looked.Within(span)) == 0 && !s.opt.Short && !s.opt.Structure {
		used, found := v.Usage()
		for _, f := range found {
			s.noteIn(onDisk(f, span), index)
		}
		l.UsedBytes = max(used, l.UsedBytes)
	}
	return &l
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
