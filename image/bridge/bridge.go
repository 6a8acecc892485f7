// Package bridge looks whether what stands between here and an old drive shows it as
// it is: all its sectors, each in its place, of the right size, with their bytes in
// order. It reads a few sectors at most, each through the caller, who knows how
// gently a drive must be read.
package bridge

import (
	"bytes"
	"encoding/binary"
	"errors"
	"slices"
	"time"

	"bootgraft/image"
	"bootgraft/image/ata"
	"bootgraft/image/disk"
)

// The bounds of a check. By hand, no source: few enough for a drive that is dying, and
// short enough that nobody waits for it.
const (
	Most    = 16              // sectors that are read for it
	longest = 2 * time.Second // after which no other read begins
	Head    = 64 << 10        // bytes from the start that it takes for known
)

// Drive is what is checked.
type Drive struct {
	// Known is what was read so far; what it does not know was not read.
	Known func() (image.Source, error)
	// Read reads one sector, so that Known knows it from then on. If it could not be had,
	// or took long, no other is asked for. An error ends the check.
	Read func(disk.Sector) (bool, error)
	// Says is what the drive says of itself, nil if it was not asked.
	Says *ata.Identify
	Now  func() time.Time
}

// Check reads what it lacks and says what was found.
func Check(d Drive) ([]disk.Finding, error) {
	src, err := d.Known()
	if err != nil {
		return nil, err
	}
	l := &look{src: src, sectors: image.Sectors(src), size: src.SectorSize(), says: d.Says}
	began, reads := d.Now(), 0
	for _, x := range l.wanted() {
		if l.knows(x) || reads == Most || d.Now().Sub(began) >= longest {
			continue
		}
		reads++
		got, err := d.Read(x)
		if err != nil {
			return nil, err
		}
		if !got {
			l.failed = append(l.failed, x)
			break
		}
	}
	if l.src, err = d.Known(); err != nil {
		return nil, err
	}
	return l.judge(), nil
}

// Hides tells whether a finding says that the drive has something that was not shown,
// or shown in another place: what was read is then not all of the drive.
func Hides(c disk.Code) bool {
	switch c {
	case disk.BridgeCapacity, disk.BridgeSectorSize, disk.BridgeRepeats, disk.BridgeLastMissing, disk.DriveSaysOther:
		return true
	}
	return false
}

// look is one check.
type look struct {
	src     image.Source
	sectors disk.Sector
	size    int
	says    *ata.Identify
	failed  []disk.Sector
}

func (l *look) knows(x disk.Sector) bool {
	return len(image.Unknown(l.src, disk.Span{Start: x, Count: 1})) == 0
}

// sector returns a sector that is known, else nil.
func (l *look) sector(x disk.Sector) []byte {
	if x < 0 || x >= l.sectors || !l.knows(x) {
		return nil
	}
	b, err := image.ReadSectors(l.src, disk.Span{Start: x, Count: 1})
	if err != nil {
		return nil
	}
	return b
}

// wanted are the sectors that decide, the most telling first: the last one, where
// volumes should begin and where they begin if sectors have another size, and where
// the start of the drive is seen again if it repeats.
func (l *look) wanted() []disk.Sector {
	out := []disk.Sector{l.sectors - 1}
	for _, e := range l.entries(image.Plain) {
		out = append(out, e)
		if other, ok := l.elsewhere(e); ok {
			out = append(out, other)
		}
	}
	tells := l.tells()
	for _, apart := range l.distances() {
		for _, t := range tells {
			out = append(out, t+apart)
		}
	}
	return slices.DeleteFunc(out, func(x disk.Sector) bool { return x < 0 || x >= l.sectors })
}

// distances are how far apart the same sector is seen twice where bits of its number
// are lost on the way: 28 bits of an ATA address and 32 bits of a SCSI address are all
// that some bridges hand on, and a card or bridge that doubles its size repeats at the
// half.
func (l *look) distances() []disk.Sector {
	var out []disk.Sector
	for _, d := range []disk.Sector{l.sectors / 2, 1 << 28, 1 << 32} {
		if d >= Head/disk.Sector(l.size) && d < l.sectors {
			out = append(out, d)
		}
	}
	return out
}

// tellsMost is how many sectors of the head are looked for again: two, so that a copy
// of one sector does not look like a drive that repeats.
const tellsMost = 2

// tells are the first sectors of the head that hold more than one byte over and over,
// no two alike.
func (l *look) tells() (out []disk.Sector) {
	var last []byte
	for x := range min(disk.Sector(Head/l.size), l.sectors) {
		b := l.sector(x)
		if b == nil || bytes.Count(b, b[:1]) == len(b) || bytes.Equal(b, last) {
			continue
		}
		if out, last = append(out, x), b; len(out) == tellsMost {
			break
		}
	}
	return out
}

// entries are where the first two entries of an MBR in sector 0 begin, as sectors of
// this size; none if there is none in this byte order.
func (l *look) entries(o image.Order) (out []disk.Sector) {
	b := bytes.Clone(l.sector(0))
	o.Turn(b)
	if len(b) < 512 || b[510] != 0x55 || b[511] != 0xAA {
		return nil
	}
	for i := range 4 {
		e := b[446+16*i:][:16]
		if e[0]&0x7F != 0 {
			return nil
		}
		start, count := binary.LittleEndian.Uint32(e[8:]), binary.LittleEndian.Uint32(e[12:])
		if e[4] != 0 && start > 0 && count > 0 && len(out) < 2 {
			out = append(out, disk.Sector(start))
		}
	}
	return out
}

// elsewhere is where an entry begins that counts in sectors of the other usual size.
func (l *look) elsewhere(start disk.Sector) (disk.Sector, bool) {
	switch {
	case l.size == 512 && start <= 1<<60:
		return 8 * start, true
	case l.size == 4096 && start%8 == 0:
		return start / 8, true
	}
	return 0, false // 4,096 bytes hold it inside a sector
}

var errNone = errors.New("not known")

// bootSector tells whether a volume begins in a sector; false and an error if it is
// not known.
func (l *look) bootSector(x disk.Sector) (bool, error) {
	b := l.sector(x)
	if b == nil {
		return false, errNone
	}
	return b[510] == 0x55 && b[511] == 0xAA && (b[0] == 0xEB || b[0] == 0xE9), nil
}
