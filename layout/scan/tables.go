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

// found is a table that a detector recognised, whole or damaged.
type found struct {
	layout.Table
	findings []disk.Finding
}

// detector reads one kind of table. Its error is a FormatError, or a failed
// read of the source.
type detector struct {
	kind string
	read func(s *surveyor) (*found, error)
}

// detectors in the order in which they are asked and reported.
var detectors = []detector{
	{"mbr", readMBR}, {"gpt", readGPT}, {"apple", readApple}, {"bsd", readBSD},
	{"sun", readSun}, {"amiga", readAmiga}, {"atari", readAtari},
}

func readMBR(s *surveyor) (*found, error) {
	t, err := mbr.Read(s.src)
	if err != nil {
		return nil, err
	}
	s.mbr = t
	f := &found{t.Layout(), t.Findings}
	for i := range f.Entries {
		if f.Entries[i].Type == mbr.Code(mbr.TypeGPT) {
			f.Entries[i].NoVolume = true // it guards what the GPT describes
		}
	}
	return f, nil
}

func readGPT(s *surveyor) (*found, error) {
	t, err := gpt.Read(s.src)
	if err != nil {
		return nil, err
	}
	s.gpt = t
	return &found{t.Layout(), t.Findings}, nil
}

func readApple(s *surveyor) (*found, error) {
	t, err := apple.Read(s.src)
	if err != nil {
		return nil, err
	}
	return listed(t.Layout(), t.Findings, apple.Owns), nil
}

func readBSD(s *surveyor) (*found, error) {
	t, err := bsd.Read(s.src)
	if err != nil {
		return nil, err
	}
	return listed(t.Layout(), t.Findings, bsd.Owns), nil
}

func readSun(s *surveyor) (*found, error) {
	t, err := sun.Read(s.src)
	if err != nil {
		return nil, err
	}
	return listed(t.Layout(), t.Findings, sun.Owns), nil
}

func readAmiga(s *surveyor) (*found, error) {
	t, err := amiga.Read(s.src)
	if err != nil {
		return nil, err
	}
	return &found{t.Layout(), t.Findings}, nil
}

func readAtari(s *surveyor) (*found, error) {
	t, err := atari.Read(s.src)
	if err != nil {
		return nil, err
	}
	return &found{t.Layout(), t.Findings}, nil
}

// listed marks the entries that own no sectors by the conventions of a table.
func listed(t layout.Table, findings []disk.Finding, owns func(layout.Entry) bool) *found {
	for i := range t.Entries {
		t.Entries[i].NoVolume = !owns(t.Entries[i])
	}
	return &found{t, findings}
}

// detect asks every detector. A malformed table is remembered as damaged, so
// that nothing which looks like a table passes in silence.
func (s *surveyor) detect() ([]found, error) {
	var out []found
	for _, d := range detectors {
		f, err := d.read(s)
		var format *disk.FormatError
		var unknown *image.UnknownError
		switch {
		case err == nil:
			out = append(out, *f)
		case errors.As(err, &format) && format.Fault == disk.Absent:
		case errors.As(err, &format):
			out = append(out, found{Table: layout.Table{Kind: d.kind, State: layout.Damaged,
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
