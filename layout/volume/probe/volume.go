// Package probe recognises file systems that are copied as they are: exFAT,
// NTFS, ISO 9660, HFS, HFS Plus, squashfs and Linux swap. It reads what they
// say of themselves and nothing of their files. FAT and ext have packages of
// their own. Of LUKS, LVM2, md, btrfs, XFS, F2FS, UDF and ZFS only the name is
// known.
package probe

import (
	"fmt"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// detector looks for one format. It returns a nil Volume and no error if
// there is no trace of it, and a FormatError of fault Malformed if there is
// the signature but numbers that cannot be.
type detector func(*reader) (*layout.Volume, []disk.Finding, error)

// detectors in the order in which they are believed. Formats whose signature
// stands in the first sector come before those that leave it to others.
// A RAID whose name stands at the end leaves its start to the volume in it.
var detectors = []detector{
	exfat, ntfs, squashfs, luks, xfs, lvm2, mdStart,
	f2fs, btrfs, swap, iso9660, udf, hfs, zfs, mdEnd,
}

// Recognise looks for a volume in the sectors of entry, which lie on the disk
// src; for a volume without a table entry is the whole disk. The Volume has
// Index 0, for the caller to fill in.
//
// It returns nil, nil, nil if there is none of the formats it knows. If no
// format is recognised, but one has a signature and impossible numbers or
// could not be read, the error of the first of these comes back: a FormatError
// of fault Malformed, or a read error. Where only the name of a volume or the
// second copy of its boot sector could not be read, the volume is returned with
// the finding `volume-partly-read`. If a second format is recognised too,
// the finding `volume-ambiguous` names it.
func Recognise(src image.Source, entry disk.Span) (*layout.Volume, []disk.Finding, error) {
	var volume *layout.Volume
	var findings []disk.Finding
	var first error
	for _, detect := range detectors {
		r := &reader{window: image.NewWindow(src, entry), entry: entry}
		v, f, err := detect(r)
		switch {
		case err != nil && first == nil:
			first = err
		case v == nil:
		case volume == nil:
			v.Meaning = r.meaning
			volume, findings = v, slices.Concat(f, r.notes, r.checkSize(v))
		default:
			findings = append(findings, disk.Notef(disk.VolumeAmbiguous, entry.Start,
				"sectors %s look like %s and like %s too; they are taken for %s. Discs for two systems are made "+
					"so on purpose", entry, volume.Kind, v.Kind, volume.Kind))
		}
	}
	if volume == nil {
		return nil, nil, first
	}
	return volume, findings, nil
}

// reader reads bytes of an entry and remembers which sectors that were.
type reader struct {
	window  *image.Window
	entry   disk.Span
	meaning disk.Spans
	notes   []disk.Finding // what could not be read and was not needed
}

// bytes returns n bytes from byte off of the entry, or nil if they are not all
// inside it. n is a small number that the caller has bounded.
func (r *reader) bytes(off, n int64) ([]byte, error) {
	if off < 0 || off > r.window.Size() || n > r.window.Size()-off {
		return nil, nil
	}
	b := make([]byte, n)
	if err := image.ReadFull(r.window, b, off); err != nil {
		return nil, fmt.Errorf("reading %d bytes at sector %d: %w", n, r.sector(off), err)
	}
	s, _ := disk.Units(uint64(off), uint64(n), 1, r.window.SectorSize())
	s.Start += r.entry.Start
	r.meaning = r.meaning.Add(s)
	return b, nil
}

// optional is bytes for what the volume is recognised without: if it cannot be
// read, a note says so.
func (r *reader) optional(off, n int64) []byte {
	b, err := r.bytes(off, n)
	if err != nil {
		at := r.sector(off)
		r.notes = append(r.notes, disk.Notef(disk.VolumePartlyRead, at,
			"the volume at sector %d is recognised, but its name or the second copy of its boot sector could not be read at "+
				"sector %d: %v", r.entry.Start, at, err))
	}
	return b
}

// sector returns the disk sector that holds byte off of the entry.
func (r *reader) sector(off int64) disk.Sector {
	return r.entry.Start + disk.Sector(off/int64(r.window.SectorSize()))
}

// volume begins a Volume of the given number of units, which fill the entry
// from its start.
func (r *reader) volume(kind string, units uint64, unitBytes int) *layout.Volume {
	s, _ := disk.Units(0, units, unitBytes, r.window.SectorSize())
	s.Start = r.entry.Start
	return &layout.Volume{Span: s, Kind: kind, UsedBytes: -1, Sized: true}
}

func (r *reader) malformed(format string, off int64, why string, args ...any) error {
	return disk.Malformedf(format, r.sector(off), int(off%int64(r.window.SectorSize())), why, args...)
}

func (r *reader) checkSize(v *layout.Volume) []disk.Finding {
	if !v.Sized || v.Count <= r.entry.Count {
		return nil
	}
	size := int64(r.window.SectorSize())
	return []disk.Finding{disk.Warningf(disk.VolumePastEntry, r.entry.Start,
		"the %s volume at sector %s says that it has %s (%s), but its place has %s (%s); "+
			"files in its last part are not here. Compare the size of the drive with the table",
		v.Kind, disk.Grouped(r.entry.Start), disk.Counted(v.Count, "sector"), disk.Counted(int64(v.Count)*size, "byte"),
		disk.Grouped(r.entry.Count), disk.Counted(int64(r.entry.Count)*size, "byte"))}
}

func powerOfTwo(n uint64) bool { return n != 0 && n&(n-1) == 0 }
