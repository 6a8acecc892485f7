package scan

import (
	"encoding/binary"
	"errors"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// mostBegins bounds how many sectors of a disk are asked whether a volume begins there:
// by hand, no source. Each costs a few reads, and a disk that holds images of other disks
// has many.
const mostBegins = 64

// Where the superblock of ext lies in its volume, and its fields: kernel.org, "ext4 Data
// Structures and Algorithms", The Super Block.
const (
	extSuper     = 1024 // bytes from the start of the volume
	extBlockSize = 24   // 4 bytes: 0 stands for 1,024 bytes, 6 for 65,536
	extMagic     = 56
	extRevision  = 76
)

// begins hands on what it visits, and remembers the sectors at which a volume may begin.
type begins struct {
	*runs
	at []disk.Sector
}

func (v *begins) sector(x disk.Sector, b []byte) {
	v.runs.sector(x, b)
	if start, ok := mayBegin(x, b); ok && start > 0 && len(v.at) < mostBegins {
		v.at = append(v.at, start)
	}
}

// mayBegin tells by one sector whether a FAT or ext volume may begin, and where. Much else
// looks alike: whoever reads the format decides.
func mayBegin(x disk.Sector, b []byte) (disk.Sector, bool) {
	if b[510] == 0x55 && b[511] == 0xAA && (b[0] == 0xEB || b[0] == 0xE9) {
		return x, true
	}
	s := b[extSuper%len(b):]
	if binary.LittleEndian.Uint16(s[extMagic:]) != 0xEF53 || binary.LittleEndian.Uint32(s[extBlockSize:]) > 6 ||
		binary.LittleEndian.Uint32(s[extRevision:]) > 1 {
		return 0, false
	}
	return x - disk.Sector(extSuper/len(b)), true
}

// unlisted looks for volumes behind the head of a disk without a table: a device that knows
// its own layout needs none to find them. They are told and not interpreted, for nobody knows
// whether the device uses them.
func (s *surveyor) unlisted(at []disk.Sector) error {
	for _, x := range at {
		if _, inside := s.behindUnlisted(x); inside { // a copy of a boot sector or superblock, or an image in a file
			continue
		}
		v, err := s.beginsAt(x)
		if err != nil {
			return err
		}
		if v == nil {
			continue
		}
		s.out.Unlisted = append(s.out.Unlisted, *v)
		s.note(disk.Warningf(disk.VolumeUnlisted, x,
			"a %s volume of %s begins here, and no table names it. Nothing in it is interpreted: its files are not "+
				"listed, and it is copied as it is, as far as the card reaches",
			volumeName(v, ""), disk.Counted(v.Count, "sector")))
	}
	return nil
}

// behindUnlisted returns the end of the volume that no table names and in which a sector lies.
// A run of sectors in use in it is no tail, however much blank is in front of it.
func (s *surveyor) behindUnlisted(x disk.Sector) (end disk.Sector, inside bool) {
	for _, v := range s.out.Unlisted {
		if v.Holds(x) {
			return min(v.End(), s.out.Sectors), true
		}
	}
	return 0, false
}

// beginsAt returns the volume that begins at a sector, or nil.
func (s *surveyor) beginsAt(x disk.Sector) (*layout.Volume, error) {
	for _, open := range openers {
		v, err := open(image.NewWindow(s.src, disk.Between(x, s.out.Sectors)))
		var format *disk.FormatError
		var unknown *image.UnknownError
		switch {
		case errors.As(err, &format) || errors.As(err, &unknown):
			continue
		case err != nil:
			return nil, err
		}
		if l := v.Layout(x, 0); l.Sized {
			return &l, nil
		}
	}
	return nil, nil
}
