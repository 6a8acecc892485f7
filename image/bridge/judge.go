package bridge

import (
	"bytes"
	"encoding/binary"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// judge says what is not as it should be.
func (l *look) judge() (out []disk.Finding) {
	for _, find := range []func() (disk.Finding, bool){l.capacity, l.sectorSize, l.byteOrder, l.repeats, l.lastMissing,
		l.lastUnreadable} {
		if f, ok := find(); ok {
			out = append(out, f)
		}
	}
	return out
}

// walls are numbers of sectors that say how far a bridge can count, not what the
// drive has: READ CAPACITY (10) answers FFFFFFFFh where it has no room (SCSI Block
// Commands), and 28 bits are an ATA address (ATA/ATAPI-6).
var walls = map[disk.Sector]string{
	1<<32 - 1: "32 bits", 1 << 32: "32 bits", 1<<28 - 1: "28 bits", 1 << 28: "28 bits",
}

func (l *look) capacity() (disk.Finding, bool) {
	bits, ok := walls[l.sectors]
	if !ok || l.says != nil && l.says.Sectors == l.sectors {
		return disk.Finding{}, false
	}
	return disk.Warningf(disk.BridgeCapacity, disk.NoSector,
		"the drive is shown with %s: that is how far %s count, and hardly what it has. "+
			"Its true end, and a tail there, may lie before or behind",
		disk.Counted(l.sectors, "sector"), bits), true
}

// sectorSize finds volumes, or a GPT, where they lie if sectors have the other usual
// size, and not where they should.
func (l *look) sectorSize() (disk.Finding, bool) {
	other := map[int]int{512: 4096, 4096: 512}[l.size]
	if other == 0 {
		return disk.Finding{}, false
	}
	at, found := disk.Sector(0), l.gptFor(other)
	for _, e := range l.entries(image.Plain) {
		place, ok := l.elsewhere(e)
		if !ok {
			continue
		}
		there, err := l.bootSector(place)
		here, err2 := l.bootSector(e)
		if err == nil && there && (err2 == nil && !here || e >= l.sectors) {
			at, found = place, true
		}
	}
	if !found {
		return disk.Finding{}, false
	}
	return disk.Warningf(disk.BridgeSectorSize, at,
		"sectors are shown with %d bytes, and what lies on the drive counts in sectors of %d: "+
			"it begins in sector %s, where its table would be right with the other size",
		l.size, other, disk.Grouped(at)), true
}

// gptFor tells whether the header of a GPT lies where sector 1 is with another sector
// size, and not in sector 1 (UEFI, 5.3.2: signature "EFI PART").
func (l *look) gptFor(size int) bool {
	signature := []byte("EFI PART")
	at := func(offset int) bool {
		b := l.sector(disk.Sector(offset / l.size))
		return b != nil && bytes.HasPrefix(b[offset%l.size:], signature)
	}
	return at(size) && !at(l.size)
}

// byteOrder finds a table whose bytes are exchanged in pairs.
func (l *look) byteOrder() (disk.Finding, bool) {
	b := l.sector(0)
	if len(b) < 512 || b[510] != 0xAA || b[511] != 0x55 || len(l.entries(image.Swap16)) == 0 {
		return disk.Finding{}, false
	}
	return disk.Warningf(disk.BridgeByteOrder, 0,
		"the two bytes of each 16-bit word are exchanged: sector 0 ends in AA 55, and is a partition table the other way "+
			"round. Some bridges do so, and some devices keep their disk so"), true
}

// repeats finds the start of the drive again.
func (l *look) repeats() (disk.Finding, bool) {
	tells := l.tells()
	for _, apart := range l.distances() {
		found := 0
		for _, t := range tells {
			again := l.sector(t + apart)
			if again == nil || !bytes.Equal(again, l.sector(t)) {
				found = -1
				break
			}
			found++
		}
		if found > 0 {
			return disk.Warningf(disk.BridgeRepeats, tells[0]+apart,
				"the start of the drive is found again %s sectors later: behind that the bridge, or a card in place of a "+
					"drive, shows its first sectors once more, and what truly lies there is not read",
				disk.Grouped(apart)), true
		}
	}
	return disk.Finding{}, false
}

// lastMissing finds a structure that ends one sector behind the last one.
func (l *look) lastMissing() (disk.Finding, bool) {
	missing := disk.Warningf(disk.BridgeLastMissing, l.sectors,
		"the drive is shown with %s, and what lies on it goes one sector farther: some bridges leave the last one out",
		disk.Counted(l.sectors, "sector"))
	// UEFI, 5.3.2: bytes 32 to 39 of the header are where its copy lies, the last sector.
	if b := l.sector(1); len(b) >= 40 && bytes.HasPrefix(b, []byte("EFI PART")) &&
		binary.LittleEndian.Uint64(b[32:]) == uint64(l.sectors) {
		return missing, true
	}
	b := l.sector(0)
	if len(l.entries(image.Plain)) == 0 {
		return missing, false
	}
	for i := range 4 {
		e := b[446+16*i:][:16]
		end := int64(binary.LittleEndian.Uint32(e[8:])) + int64(binary.LittleEndian.Uint32(e[12:]))
		if e[4] != 0 && e[4] != 0xEE && end == int64(l.sectors)+1 {
			return missing, true
		}
	}
	return missing, false
}

func (l *look) lastUnreadable() (disk.Finding, bool) {
	for _, x := range l.failed {
		if x == l.sectors-1 && !l.knows(x) { // known if it only took long
			return LastUnreadable(l.sectors, l.says != nil && l.says.Sectors == l.sectors)
		}
	}
	return disk.Finding{}, false
}

// LastUnreadable says what it may mean that the last sector cannot be read; nothing
// where the drive itself says that it has it.
func LastUnreadable(sectors disk.Sector, has bool) (disk.Finding, bool) {
	return disk.Warningf(disk.BridgeLastUnreadable, sectors-1,
		"the last sector cannot be read: it is bad, or the bridge shows one sector more than the drive has"), !has
}
