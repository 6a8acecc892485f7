package mbr

import (
	"encoding/binary"
	"slices"

	"bootgraft/image/disk"
)

const format = "MBR"

// Sector is one boot record sector, sector 0 of a disk or the head of a
// logical volume. It keeps every byte of the sector.
type Sector struct{ raw []byte }

// Parse accepts the boot record of a disk: a sector of 512 to 4096 bytes with
// 55 AA at byte 510 and boot flags 00 or 80. Without the signature the error
// is Absent; with other boot flags it is Malformed, because the kernel and
// libblkid take such a sector for something else. Records that are all empty
// are no error: see Empty.
func Parse(sector []byte) (*Sector, error) {
	s, err := parse(sector, 0)
	if err != nil {
		return nil, err
	}
	for i := range Records {
		if b := s.Record(i).Boot; b != 0x00 && b != 0x80 {
			return nil, disk.Malformedf(format, 0, tableAt+i*recordSize, "boot flag %02X: it is 00 or 80 in a partition table",
				b)
		}
	}
	return s, nil
}

// parse accepts any boot record with a signature; at is for the error only.
func parse(sector []byte, at disk.Sector) (*Sector, error) {
	if n := len(sector); n < 512 || n > 4096 || n&(n-1) != 0 {
		return nil, disk.Unsupportedf(format, at, -1, "a sector of %d bytes: 512, 1024, 2048 and 4096 are possible", n)
	}
	if sector[signatureAt] != 0x55 || sector[signatureAt+1] != 0xAA {
		return nil, disk.Absentf(format, at, signatureAt, "bytes %02X %02X, not 55 AA", sector[signatureAt],
			sector[signatureAt+1])
	}
	return &Sector{slices.Clone(sector)}, nil
}

// Bytes returns a copy of the whole sector.
func (s *Sector) Bytes() []byte { return slices.Clone(s.raw) }

// Clone returns a copy that can be changed alone.
func (s *Sector) Clone() *Sector { return &Sector{s.Bytes()} }

// DiskID returns the disk signature at byte 440.
func (s *Sector) DiskID() uint32 { return binary.LittleEndian.Uint32(s.raw[diskIDAt:]) }

// Record returns partition record i, 0 to 3.
func (s *Sector) Record(i int) Record { return parseRecord(s.record(i)) }

func (s *Sector) record(i int) []byte {
	at := tableAt + i*recordSize
	return s.raw[at : at+recordSize : at+recordSize]
}

// Empty tells whether no record is used: the syntax of a boot record, and
// nothing that shows it to be a partition table.
func (s *Sector) Empty() bool {
	for i := range Records {
		if s.Record(i).Used() {
			return false
		}
	}
	return true
}

// EE returns which record has type EE, the first if several have.
func (s *Sector) EE() (i int, ok bool) {
	for i := range Records {
		if s.Record(i).Type == TypeGPT {
			return i, true
		}
	}
	return 0, false
}

// Protective tells whether an EE record is the only used one: the disk
// belongs to a GPT.
func (s *Sector) Protective() bool {
	_, ok := s.EE()
	return ok && !s.othersUsed()
}

// Hybrid tells whether there are an EE record and other used ones.
func (s *Sector) Hybrid() bool {
	_, ok := s.EE()
	return ok && s.othersUsed()
}

func (s *Sector) othersUsed() bool {
	for i := range Records {
		if r := s.Record(i); r.Used() && r.Type != TypeGPT {
			return true
		}
	}
	return false
}

// SetDiskID changes the disk signature.
func (s *Sector) SetDiskID(id uint32) { binary.LittleEndian.PutUint32(s.raw[diskIDAt:], id) }

// SetCount changes the sector count of record i.
func (s *Sector) SetCount(i int, count uint32) {
	binary.LittleEndian.PutUint32(s.record(i)[countField:], count)
}

// SetStartCHS changes the start tuple of record i.
func (s *Sector) SetStartCHS(i int, c CHS) { s.setCHS(i, startCHSField, c) }

// SetEndCHS changes the end tuple of record i.
func (s *Sector) SetEndCHS(i int, c CHS) { s.setCHS(i, endCHSField, c) }

func (s *Sector) setCHS(i, field int, c CHS) {
	b := c.Pack()
	copy(s.record(i)[field:], b[:])
}
