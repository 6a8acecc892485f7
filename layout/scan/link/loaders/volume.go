package loaders

import (
	"encoding/binary"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// firstData is the first data sector of the volume: chosen with the reserved
// sectors so that every cluster begins at a multiple of 4 KiB of the disk.
const firstData = reserved + 2*tableLong + root*32/Sector

const (
	tableLong = 200 // sectors of one table
	reserved  = 8
)

// volume is a FAT16 volume, built by hand: FAT Specification (Microsoft, 2004),
// sections 3 to 6.
type volume struct {
	sectors  int
	clusters int
	next     int // the next free cluster, counted from 0
	table    []uint16
	dir      []byte
	boot     []byte         // its boot sector, before it is made one
	data     map[int][]byte // by first cluster, counted from 0
}

func newVolume(sectors int) *volume {
	v := &volume{sectors: sectors, data: map[int][]byte{}, table: []uint16{0xFFF8, 0xFFFF}}
	v.clusters = (sectors - firstData) / cluster
	v.table = append(v.table, make([]uint16, v.clusters)...)
	return v
}

// add lays a file down in one run and returns its first sector on the disk.
func (v *volume) add(name string, clusters int, attr byte, b []byte) disk.Sector {
	first := v.next
	v.next += clusters
	for i := range clusters {
		v.table[2+first+i] = uint16(2 + first + i + 1)
	}
	v.table[2+first+clusters-1] = 0xFFFF
	v.entry(name, attr, first, len(b))
	v.data[first] = b
	return v.sector(first)
}

// addSplit lays a file of two clusters down in two runs and returns the first
// sector of the second one.
func (v *volume) addSplit(name string, attr byte, b []byte) disk.Sector {
	first, second := v.next, v.next+3
	v.next += 4
	v.table[2+first], v.table[2+second] = uint16(2+second), 0xFFFF
	v.entry(name, attr, first, len(b))
	v.data[first], v.data[second] = b[:cluster*Sector], b[cluster*Sector:]
	return v.sector(second)
}

func (v *volume) sector(c int) disk.Sector { return disk.Sector(Start + firstData + c*cluster) }

func (v *volume) entry(name string, attr byte, first, size int) {
	e := make([]byte, 32)
	for i := range 11 {
		e[i] = ' '
	}
	stem, at := name[:len(name)-4], len(name)-3
	copy(e, stem)
	copy(e[8:], name[at:])
	e[11] = attr | 0x20
	binary.LittleEndian.PutUint16(e[24:], 0x2A21)
	binary.LittleEndian.PutUint16(e[26:], uint16(2+first))
	binary.LittleEndian.PutUint32(e[28:], uint32(size))
	v.dir = append(v.dir, e...)
}

func (v *volume) put(d *imagetest.Disk) {
	le := binary.LittleEndian
	b := v.boot
	copy(b, "\xEB\x3C\x90INVENTED")
	le.PutUint16(b[11:], Sector)
	b[13] = cluster
	le.PutUint16(b[14:], reserved)
	b[16] = 2
	le.PutUint16(b[17:], root)
	le.PutUint16(b[19:], 0)
	b[21] = 0xF8
	le.PutUint16(b[22:], tableLong)
	le.PutUint16(b[24:], track)
	le.PutUint16(b[26:], heads)
	le.PutUint32(b[28:], Start)
	le.PutUint32(b[32:], uint32(v.sectors))
	b[36], b[37], b[38] = 0x80, 0, 0x29
	copy(b[39:], "\x12\x34\x56\x78INVENTED   FAT16   ")
	b[510], b[511] = 0x55, 0xAA
	d.Put(Start, b)
	t := make([]byte, tableLong*Sector)
	for i, e := range v.table {
		le.PutUint16(t[2*i:], e)
	}
	d.Put(Start+reserved, t)
	d.Put(Start+reserved+tableLong, t)
	d.Put(Start+reserved+2*tableLong, v.dir)
	for c, b := range v.data {
		d.Put(v.sector(c), b)
	}
}
