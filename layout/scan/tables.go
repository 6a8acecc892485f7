package scan

import (
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/amiga"
	"bootgraft/layout/apple"
	"bootgraft/layout/atari"
	"bootgraft/layout/bsd"
	"bootgraft/layout/gpt"
	"bootgraft/layout/mbr"
	"bootgraft/layout/sun"
)

// found is a table that a detector recognised, whole or damaged.
type found struct {
	layout.Table
	findings []layout.Finding
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
	s.out.MBR = t
	return &found{t.Layout(), t.Findings}, nil
}

func readGPT(s *surveyor) (*found, error) {
	t, err := gpt.Read(s.src)
	if err != nil {
		return nil, err
	}
	s.out.GPT = t
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
func listed(t layout.Table, findings []layout.Finding, owns func(layout.Entry) bool) *found {
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
		var format *layout.FormatError
		var unknown *image.UnknownError
		switch {
		case err == nil:
			out = append(out, *f)
		case errors.As(err, &format) && format.Fault == layout.Absent:
		case errors.As(err, &format):
			out = append(out, found{Table: layout.Table{Kind: d.kind, State: layout.Damaged, Evidence: []string{format.Error()}}})
		case errors.As(err, &unknown):
			s.note(layout.Warningf("table-not-known", unknown.Start, "whether there is a %s table cannot be told: %v", d.kind, err))
		default:
			return nil, fmt.Errorf("looking for a %s table: %w", d.kind, err)
		}
	}
	return out, nil
}

// usable tells whether a table may be in force: whole, and with something to say.
func usable(t *found) bool { return t != nil && t.State != layout.Damaged && len(t.Entries) > 0 }

// decide sets the state of every table and returns the kind in force. bare is
// a volume that begins at sector 0 and needs no table, or nil.
//
// The rules: an MBR with an EE record hands over to GPT (UEFI 5.2.3), one
// without it is in force whatever GPT headers lie about; a boot sector of a
// volume in sector 0 is no table if its records say nothing sensible;
// whatever else contradicts is a conflict that a person must settle.
func (s *surveyor) decide(tables []found, bare *layout.Volume) string {
	byKind := map[string]*found{}
	for i := range tables {
		byKind[tables[i].Kind] = &tables[i]
	}
	m, g := byKind["mbr"], byKind["gpt"]
	protective := s.out.MBR != nil && s.out.MBR.Protective()

	var able []*found
	for i := range tables {
		t := &tables[i]
		switch {
		case t == m && (protective || bareBeatsMBR(bare, m)):
		case t == g && !s.gptMayRule(m):
		case t.Kind == "gpt" && t.State != layout.Damaged, usable(t):
			able = append(able, t)
		}
	}
	for i := range tables {
		if tables[i].State != layout.Damaged {
			tables[i].State = layout.Stale
		}
	}
	kind := s.force(able, bare)
	if protective && m != nil {
		m.State = g.stateOr(layout.Damaged)
		if kind == "none" {
			kind = "gpt"
			s.note(layout.Warningf("gpt-damaged", 1, "sector 0 names a GUID partition table, but neither of its copies can be read; nobody knows what the sectors after it are for"))
		}
	}
	s.noteStale(tables, kind)
	return kind
}

func (f *found) stateOr(other layout.State) layout.State {
	if f == nil {
		return other
	}
	return f.State
}

// gptMayRule tells whether GPT headers can be in force: not beside an MBR
// that lists entries of its own.
func (s *surveyor) gptMayRule(m *found) bool {
	return !usable(m) || s.out.MBR != nil && s.out.MBR.Protective()
}

// bareBeatsMBR tells whether sector 0 is the boot sector of a volume and not
// an MBR: 55 AA stands in both, and records that run past the disk, or none,
// are boot code read as a table.
func bareBeatsMBR(bare *layout.Volume, m *found) bool {
	if bare == nil || m == nil || bare.Start != 0 || !startsInSector0(bare.Kind) {
		return false
	}
	if len(m.Entries) == 0 {
		return true
	}
	for _, f := range m.findings {
		if f.Code == "entry-past-end" || f.Code == "entries-overlap" {
			return true
		}
	}
	return false
}

// startsInSector0 tells whether volumes of this kind fill sector 0 with their
// own boot sector, where an MBR would be.
func startsInSector0(kind string) bool {
	switch kind {
	case "fat12", "fat16", "fat32", "exfat", "ntfs":
		return true
	}
	return false
}

// force picks the table in force among those that may be.
func (s *surveyor) force(able []*found, bare *layout.Volume) string {
	contradicted := len(able) == 1 && bare != nil && startsInSector0(bare.Kind) && able[0].Kind != "gpt"
	switch {
	case len(able) == 0:
		return "none"
	case len(able) == 1 && !contradicted:
		able[0].State = layout.InForce
		return able[0].Kind
	}
	for _, t := range able {
		t.State = layout.Disputed
	}
	who := able[0].Kind
	for _, t := range able[1:] {
		who += " and " + t.Kind
	}
	if contradicted {
		who += " and a bare " + bare.Kind + " volume"
	}
	s.note(layout.Warningf("tables-conflict", 0, "%s both claim this disk, and none of them wins in silence. What they agree on is listed as such, the rest is disputed", who))
	return "conflict"
}

// noteStale reports every table that is not in force.
func (s *surveyor) noteStale(tables []found, kind string) {
	for _, t := range tables {
		at := layout.NoSector
		if len(t.Own) > 0 {
			at = t.Own[0].Start
		}
		switch {
		case t.State == layout.Stale && len(t.Entries) > 0 || t.State == layout.Stale && t.Kind == "gpt":
			s.note(layout.Warningf("stale-"+t.Kind, at, "a %s table with %d entries lies on this disk, but is not in force (%s is): the rest of an earlier use. Its sectors are carried as they are", t.Kind, len(t.Entries), kind))
		case t.State == layout.Damaged && !(t.Kind == "mbr" && kind != "none"):
			s.note(layout.Warningf("damaged-"+t.Kind, at, "something that claims to be a %s table breaks its own rules: %s", t.Kind, t.Evidence[0]))
		}
	}
}
