package scan

import (
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/table/amiga"
	"bootgraft/layout/table/apple"
	"bootgraft/layout/table/atari"
	"bootgraft/layout/table/bsd"
	"bootgraft/layout/table/gpt"
	"bootgraft/layout/table/mbr"
	"bootgraft/layout/table/sun"
)

// detector reads one kind of table. Its error is a FormatError, or a failed
// read of the source.
type detector struct {
	kind string
	read func(s *surveyor) (*layout.Parsed, error)
}

// detectors in the order in which they are asked and reported.
var detectors = []detector{
	{"mbr", readMBR}, {"gpt", readGPT}, {"apple", reader(apple.Read)}, {"bsd", reader(bsd.Read)},
	{"sun", reader(sun.Read)}, {"amiga", reader(amiga.Read)}, {"atari", reader(atari.Read)},
}

// reader is a detector of which the survey keeps nothing but the table.
func reader[T interface{ Result() *layout.Parsed }](
	read func(image.Source) (T, error),
) func(*surveyor) (*layout.Parsed, error) {
	return func(s *surveyor) (*layout.Parsed, error) {
		t, err := read(s.src)
		if err != nil {
			return nil, err
		}
		return t.Result(), nil
	}
}

func readMBR(s *surveyor) (*layout.Parsed, error) {
	t, err := mbr.Read(s.src)
	if err != nil {
		return nil, err
	}
	s.mbr = t
	f := &layout.Parsed{Table: t.Layout(), Findings: t.Findings}
	for i := range f.Entries {
		if f.Entries[i].Type == mbr.Code(mbr.TypeGPT) {
			f.Entries[i].NoVolume = true // it guards what the GPT describes
		}
	}
	return f, nil
}

func readGPT(s *surveyor) (*layout.Parsed, error) {
	t, err := gpt.Read(s.src)
	if err != nil {
		return nil, err
	}
	s.gpt = t
	return &layout.Parsed{Table: t.Layout(), Findings: t.Findings}, nil
}

// detect asks every detector. A malformed table is remembered as damaged, so
// that nothing which looks like a table passes in silence.
func (s *surveyor) detect() ([]layout.Parsed, error) {
	var out []layout.Parsed
	for _, d := range detectors {
		f, err := d.read(s)
		var format *disk.FormatError
		var unknown *image.UnknownError
		switch {
		case err == nil:
			out = append(out, *f)
		case errors.As(err, &format) && format.Fault == disk.Absent:
		case errors.As(err, &format):
			out = append(out, layout.Parsed{Table: layout.Table{Kind: d.kind, State: layout.Damaged,
				Evidence: []string{format.Error()}}})
		case errors.As(err, &unknown):
			s.note(disk.Warningf(disk.TableNotKnown, unknown.Start, "whether there is a table of kind %s cannot be told: %v",
				d.kind, err))
		default:
			return nil, fmt.Errorf("looking for a %s table: %w", d.kind, err)
		}
	}
	return out, nil
}
