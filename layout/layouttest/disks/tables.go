// Package disks makes whole disks for tests: partition tables written byte by
// byte from their standards, without the code under test, and volumes in them.
package disks

import (
	"encoding/binary"
	"hash/crc32"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// Entry is an entry of a table that a test asks for.
type Entry struct {
	disk.Span
	Type   byte // of an MBR
	Active bool
}

// record writes partition record i of a boot sector (EFI Specification 1.02,
// table 16-5), with the start counted from base.
func record(sector []byte, i int, e Entry, base disk.Sector) {
	b := sector[446+16*i:]
	if e.Active {
		b[0] = 0x80
	}
	copy(b[1:], []byte{0xFE, 0xFF, 0xFF})
	b[4] = e.Type
	copy(b[5:], []byte{0xFE, 0xFF, 0xFF})
	binary.LittleEndian.PutUint32(b[8:], uint32(e.Start-base))
	binary.LittleEndian.PutUint32(b[12:], uint32(e.Count))
}

func bootSector(d *imagetest.Disk, at disk.Sector) []byte {
	b := make([]byte, d.SectorSize())
	if _, err := d.ReadAt(b, int64(at)*int64(len(b))); err != nil {
		panic(err)
	}
	clear(b[446:510])
	b[510], b[511] = 0x55, 0xAA
	return b
}

// MBR writes a boot record with up to four primaries.
func MBR(d *imagetest.Disk, entries ...Entry) {
	b := bootSector(d, 0)
	copy(b[440:], []byte{0x78, 0x56, 0x34, 0x12})
	for i, e := range entries {
		record(b, i, e, 0)
	}
	d.Put(0, b)
}

// Chain writes the extended boot records of a container: each logical volume
// has its record in the sector gap before it.
func Chain(d *imagetest.Disk, box disk.Span, gap disk.Sector, logicals ...Entry) {
	for i, e := range logicals {
		at := box.Start
		if i > 0 {
			at = e.Start - gap
		}
		b := bootSector(d, at)
		record(b, 0, e, at)
		if i+1 < len(logicals) {
			next := logicals[i+1]
			record(b, 1, Entry{Span: disk.Between(next.Start-gap, next.End()), Type: 5}, box.Start)
		}
		d.Put(at, b)
	}
}

// music is a type GUID of the tests' own, as bytes.
var music = [16]byte{0xA2, 0xA0, 0xD0, 0xEB, 0xE5, 0xB9, 0x33, 0x44, 0x87, 0xC0, 0x68, 0xB6, 0xB7, 0x26, 0x99, 0xC7}

// GPT writes a protective MBR and both copies of a GUID partition table of 128
// entries (EFI Specification 1.02, tables 16-1 to 16-4) for the whole disk.
func GPT(d *imagetest.Disk, entries ...Entry) {
	last := disk.Sector(d.Size()/int64(d.SectorSize())) - 1
	protect := Entry{Span: disk.Span{Start: 1, Count: last}, Type: 0xEE}
	MBR(d, protect)
	GPTHeaders(d, last, entries...)
}

// GPTHeaders writes both copies for a disk that ends with sector last, and
// leaves sector 0 alone.
func GPTHeaders(d *imagetest.Disk, last disk.Sector, entries ...Entry) {
	array := make([]byte, 128*128)
	for i, e := range entries {
		b := array[128*i:]
		copy(b, music[:])
		copy(b[16:], music[:])
		b[31] = byte(i + 1)
		binary.LittleEndian.PutUint64(b[32:], uint64(e.Start))
		binary.LittleEndian.PutUint64(b[40:], uint64(e.Last()))
		b[56], b[58] = 'S', byte('0'+i%10)
	}
	n := disk.Sector(len(array) / d.SectorSize())
	d.Put(2, array)
	d.Put(1, header(d.SectorSize(), 1, last, 2, n, array))
	d.Put(last-n, array)
	d.Put(last, header(d.SectorSize(), last, 1, last-n, n, array))
}

func header(size int, my, other, arrayAt, n disk.Sector, array []byte) []byte {
	b := make([]byte, size)
	copy(b, "EFI PART\x00\x00\x01\x00")
	binary.LittleEndian.PutUint32(b[12:], 92)
	end := max(my, other)
	for i, v := range []disk.Sector{my, other, 2 + n, end - n - 1} {
		binary.LittleEndian.PutUint64(b[24+8*i:], uint64(v))
	}
	copy(b[56:], "\x01\x02\x03\x04\x05\x06\x07\x48\x89\x0A\x0B\x0C\x0D\x0E\x0F\x10")
	binary.LittleEndian.PutUint64(b[72:], uint64(arrayAt))
	binary.LittleEndian.PutUint32(b[80:], 128)
	binary.LittleEndian.PutUint32(b[84:], 128)
	binary.LittleEndian.PutUint32(b[88:], crc32.ChecksumIEEE(array))
	binary.LittleEndian.PutUint32(b[16:], crc32.ChecksumIEEE(b[:92]))
	return b
}
