// Package scan reads an original and says who owns every sector of it.
//
// Explicit, ordered detectors speak for the formats they know; what they claim
// is settled into one Map whose regions tile the disk. Where two formats claim
// the same sectors the Map says so, and neither wins in silence.
package scan

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/table/gpt"
	"bootgraft/layout/table/mbr"
)

// Options say how far a survey goes.
type Options struct {
	// Progress is told how many sectors of the total were looked at.
	// Sectors inside recognised volumes and holes count as looked at.
	Progress func(done, total disk.Sector)

	// Short leaves out what needs many reads: allocation tables are not
	// counted or compared.
	Short bool

	// Source is asked what the source says of itself, after the last read.
	Source func() []disk.Finding

	// Structure asks for tables, entries and volumes alone: what is outside the
	// volumes is not looked into, and there are no regions. It implies Short.
	Structure bool
}

type surveyor struct {
	ctx  context.Context
	src  image.Source
	opt  Options
	out  *layout.Map
	mbr  *mbr.Table // nil if sector 0 is none
	gpt  *gpt.Table // nil if no copy was found
	done disk.Sector

	looked    disk.Spans      // entries whose volume was looked for
	notes     *[]disk.Finding // where the next finding goes
	bareNotes []disk.Finding  // of a bare volume, until it is known whether it counts
}

func newSurveyor(ctx context.Context, src image.Source, opt Options) *surveyor {
	s := &surveyor{ctx: ctx, src: src, opt: opt, out: &layout.Map{Sectors: image.Sectors(src),
		SectorSize: src.SectorSize()}}
	s.notes = &s.out.Findings
	return s
}

// Run surveys the source. It reads tables, the first sectors of volumes, and
// everything outside the entries once; it never reads a hole. An error means
// that the source could not be read; whatever is wrong with the disk itself
// is a finding.
func Run(ctx context.Context, src image.Source, opt Options) (*layout.Map, error) {
	s := newSurveyor(ctx, src, opt)
	if s.out.Sectors == 0 {
		return nil, fmt.Errorf("the source holds %d bytes, less than one sector of %d bytes: there is nothing to survey",
			src.Size(), src.SectorSize())
	}
	if err := s.oddBytes(); err != nil {
		return nil, err
	}
	tables, err := s.detect()
	if err != nil {
		return nil, err
	}
	whole := image.Whole(src)
	bare, err := s.bare(whole, tables)
	if err != nil {
		return nil, err
	}
	tables = s.withoutBootCode(tables, bare)
	s.out.Table = s.decide(tables, bare)
	if err := s.volumes(tables, bare); err != nil {
		return nil, err
	}
	if !opt.Structure {
		if err := s.regions(tables); err != nil {
			return nil, err
		}
	}
	if opt.Source != nil {
		s.out.Findings = append(s.out.Findings, opt.Source()...)
	}
	if opt.Structure {
		return s.out, nil
	}
	if err := disk.CheckTiles(s.out.Sectors, s.out.Regions); err != nil {
		return nil, fmt.Errorf("the regions do not tile the disk, which is a fault of this program: %w", err)
	}
	return s.out, nil
}

func (s *surveyor) note(f disk.Finding) { *s.notes = append(*s.notes, f) }

// moved reports progress.
func (s *surveyor) moved(n disk.Sector) {
	s.done += n
	if s.opt.Progress != nil {
		s.opt.Progress(min(s.done, s.out.Sectors), s.out.Sectors)
	}
}

// oddBytes reports what follows the last whole sector of a file.
func (s *surveyor) oddBytes() error {
	n := int64(s.src.SectorSize())
	odd := s.src.Size() % n
	if odd == 0 {
		return nil
	}
	b := make([]byte, odd)
	if err := image.ReadFull(s.src, b, s.src.Size()-odd); err != nil {
		return fmt.Errorf("reading the last %s: %w", disk.Counted(odd, "byte"), err)
	}
	sum := sha256.Sum256(b)
	s.out.OddBytes, s.out.OddSHA256 = int(odd), hex.EncodeToString(sum[:])
	s.note(disk.Warningf(disk.OddBytes, s.out.Sectors,
		"the file ends %s into a sector of %s. These bytes (SHA-256 %s) belong to no sector and are not "+
			"copied; a plan needs --accept odd-bytes. Was the copy cut short, "+
			"or is it another sector size (--sector-size)?",
		disk.Counted(odd, "byte"), disk.Grouped(int64(n)), s.out.OddSHA256))
	return nil
}

// bare looks for a volume that fills the disk without a table, and keeps
// what it notes apart: beside a table in force such a volume is mostly the
// rest of an earlier use.
func (s *surveyor) bare(whole disk.Span, tables []layout.Parsed) (*layout.Volume, error) {
	s.notes = &s.bareNotes
	v, err := s.recognise(whole, 0)
	s.notes = &s.out.Findings
	if err != nil {
		return nil, fmt.Errorf("looking for a volume without a table: %w", err)
	}
	if len(tables) == 0 {
		s.keepBareNotes()
	}
	return v, nil
}

// keepBareNotes keeps what was noted of a volume without a table.
func (s *surveyor) keepBareNotes() {
	s.out.Findings = append(s.out.Findings, s.bareNotes...)
	s.bareNotes = nil
}

// volumes looks into the entries of every table that is not merely stale, or
// keeps the bare volume if no table is in force.
func (s *surveyor) volumes(tables []layout.Parsed, bare *layout.Volume) error {
	if bare == nil && s.out.Table == "none" {
		s.keepBareNotes()
	}
	if bare != nil && (s.out.Table == "none" || s.out.Table == "conflict" && !s.namesGPT()) {
		s.keepBareNotes()
		if err := s.slack(bare, image.Whole(s.src)); err != nil {
			return err
		}
		s.out.Volumes = append(s.out.Volumes, *bare)
	} else if bare != nil {
		s.note(disk.Warningf(disk.VolumeBesideTable, bare.Start,
			"a %s volume without a table (%s) is also found on this disk: the rest of an earlier use, "+
				"or a hybrid disc. The %s table is in force, and nothing in the volume is interpreted",
			bare.Kind, disk.Counted(bare.Count, "sector"), s.out.Table))
	}
	for i := range tables {
		t := &tables[i]
		s.out.Findings = append(s.out.Findings, notesOf(t, s.out.Table)...)
		if t.State != layout.InForce || t.Kind == "mbr" && s.out.Table == "gpt" {
			continue
		}
		s.out.Entries = t.Entries
		for _, e := range t.Entries {
			if err := s.entryVolume(e); err != nil {
				return err
			}
		}
	}
	for _, t := range tables {
		s.out.Tables = append(s.out.Tables, t.Table)
	}
	return nil
}

// notesOf returns the findings of a table that matter in the light of what is
// in force: a stale table is reported as stale, not fault by fault.
func notesOf(t *layout.Parsed, inForce string) []disk.Finding {
	if t.State == layout.Stale || t.State == layout.Damaged && t.Kind != inForce {
		return nil
	}
	return t.Findings
}

func (s *surveyor) entryVolume(e layout.Entry) error {
	if !e.HoldsVolume() {
		return nil
	}
	span := e.Span.Common(image.Whole(s.src))
	if span.Empty() {
		return nil
	}
	v, err := s.recognise(span, e.Index)
	if err != nil {
		return fmt.Errorf("looking into entry %d: %w", e.Index, err)
	}
	s.looked = s.looked.Union(disk.Spans{span})
	if v == nil {
		return nil
	}
	if err := s.slack(v, span); err != nil {
		return err
	}
	s.out.Volumes = append(s.out.Volumes, *v)
	return nil
}
