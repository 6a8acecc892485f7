package kit

import (
	"encoding/hex"
	"fmt"
	"math"
	"strings"
	"unicode/utf8"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// check proves that a manifest keeps the bounds of a kit and does not contradict
// itself. It returns the first fault.
func (m *Manifest) check() error {
	switch {
	case m.Kind != Kind:
		return fmt.Errorf("it calls itself %q, not %q", m.Kind, Kind)
	case m.Schema < 1 || m.Schema > Schema:
		return fmt.Errorf("it has the form number %d", m.Schema)
	case (m.Schema > 1) != (m.WrittenBy != ""):
		return fmt.Errorf("it is of form %d, and says that it was written by %q", m.Schema, m.WrittenBy)
	case disk.CheckWriter(m.WrittenBy) != nil:
		return disk.CheckWriter(m.WrittenBy)
	case image.CheckSectorSize(m.SectorSize) != nil:
		return fmt.Errorf("a sector size of %d bytes", m.SectorSize)
	case m.Sectors < 1 || int64(m.Sectors) > math.MaxInt64/int64(m.SectorSize)/2:
		return fmt.Errorf("a drive of %d sectors", m.Sectors)
	case len(m.Spans) > MaxSpans:
		return fmt.Errorf("%d spans, at most %d are allowed", len(m.Spans), MaxSpans)
	case len(m.Notes) > MaxNotes:
		return fmt.Errorf("%d notes, at most %d are allowed", len(m.Notes), MaxNotes)
	}
	if err := m.checkTexts(); err != nil {
		return err
	}
	if err := m.checkSpans(); err != nil {
		return err
	}
	if err := m.checkOtherUnit(); err != nil {
		return err
	}
	if err := m.checkMarks(); err != nil {
		return err
	}
	if err := m.Facts.check(m.Sectors); err != nil {
		return err
	}
	if r := m.Rules; r != nil && (r.Bytes < 0 || r.Bytes > MaxRules || !disk.IsSHA256(r.SHA256)) {
		return fmt.Errorf("rules of %d bytes, or no hash of them", r.Bytes)
	}
	return nil
}

func (m *Manifest) checkTexts() error {
	for _, text := range append([]string{m.Drive}, m.Notes...) {
		if err := checkText(text); err != nil {
			return err
		}
	}
	return nil
}

func checkText(s string) error {
	if len(s) > MaxText || !utf8.ValidString(s) || strings.ContainsRune(s, 0) {
		return fmt.Errorf("a text of more than %d bytes, or not in UTF-8", MaxText)
	}
	return nil
}

func (m *Manifest) checkSpans() error {
	at, bytes := disk.Sector(0), int64(0)
	for _, s := range m.Spans {
		switch {
		case !s.Span.Inside(m.Sectors):
			return fmt.Errorf("the span %s is not inside the drive of %d sectors", s.Span, m.Sectors)
		case s.Start < at:
			return fmt.Errorf("the span %s begins before the end of the one before it, sector %d", s.Span, at)
		}
		at = s.End()
		if err := s.check(m.FactsOnly); err != nil {
			return fmt.Errorf("the span %s: %w", s.Span, err)
		}
		if s.State == Stored {
			if bytes += int64(s.Count) * int64(m.SectorSize); bytes > MaxBytes {
				return fmt.Errorf("more than %d bytes of sectors", MaxBytes)
			}
		}
	}
	return nil
}

func (m *Manifest) checkOtherUnit() error {
	if len(m.OtherUnit) > MaxSpans {
		return fmt.Errorf("%d runs of another unit, at most %d are allowed", len(m.OtherUnit), MaxSpans)
	}
	at := disk.Sector(0)
	for _, s := range m.OtherUnit {
		if !s.Inside(m.Sectors) || s.Start < at {
			return fmt.Errorf("the run %s of another unit is not inside the drive, or not behind the one before it", s)
		}
		at = s.End()
	}
	return nil
}

func (s Span) check(factsOnly bool) error {
	switch s.From {
	case layout.FromStart, layout.FromEnd, layout.InsideVolume:
	default:
		return fmt.Errorf("counted from %q", s.From)
	}
	hashed := false
	switch s.State {
	case Stored, Described:
		hashed = true
		if factsOnly != (s.State == Described) {
			return fmt.Errorf("it is %s, and facts_only is %v", s.State, factsOnly)
		}
	case Blank, Missing, Unread, Removed:
	default:
		return fmt.Errorf("state %q", s.State)
	}
	switch {
	case s.Fill != 0 && (s.State != Blank || s.Fill != 0xFF):
		return fmt.Errorf("it is %s and filled with %02X", s.State, s.Fill)
	case hashed != (s.SHA256 != "") || hashed && !disk.IsSHA256(s.SHA256):
		return fmt.Errorf("it is %s, and its hash is %q", s.State, s.SHA256)
	}
	return checkText(s.What)
}

func (m *Manifest) checkMarks() error {
	if len(m.Masked) > 0 && !m.FactsOnly {
		return fmt.Errorf("it holds sectors, and bytes of them are masked")
	}
	for _, list := range [][]Mark{m.Identity, m.Blanked, m.Masked} {
		if len(list) > MaxMarks {
			return fmt.Errorf("%d marked runs of bytes, at most %d are allowed", len(list), MaxMarks)
		}
		for _, k := range list {
			if k.Sector < 0 || k.Sector >= m.Sectors || k.Offset < 0 || k.Count < 1 || k.Count > m.SectorSize ||
				k.Offset > m.SectorSize-k.Count {
				return fmt.Errorf("%d marked bytes at sector %d, byte %d, which leave the sector or the drive", k.Count, k.Sector,
					k.Offset)
			}
			if err := checkText(k.What); err != nil {
				return err
			}
		}
	}
	return nil
}

func (f *Facts) check(n disk.Sector) error {
	if max(len(f.Entries), len(f.Volumes), len(f.Regions), len(f.Fields), len(f.Linked)) > MaxFacts {
		return fmt.Errorf("more than %d facts of one kind", MaxFacts)
	}
	for _, l := range f.Linked {
		if b, err := hex.DecodeString(l.Entry); err != nil || len(b) != 0 && len(b) != entrySize {
			return fmt.Errorf("a directory entry of a linked file that is none")
		}
		if len(l.Extents) == 0 || len(l.Extents) > MaxFacts {
			return fmt.Errorf("a linked file in %d runs", len(l.Extents))
		}
		for _, s := range l.Extents {
			if !s.Inside(n) {
				return fmt.Errorf("the linked file in %s is not inside the drive of %d sectors", s, n)
			}
		}
	}
	for _, r := range f.Regions {
		if !r.Span.Inside(n) {
			return fmt.Errorf("the region %s is not inside the drive of %d sectors", r.Span, n)
		}
	}
	return nil
}

// entrySize is how many bytes a directory entry of a FAT volume has (FG, "FAT Directory
// Structure").
const entrySize = 32
