package family

import (
	"encoding/binary"
	"fmt"
	"hash/adler32"
	"hash/crc32"
	"math/bits"
)

// writer is a way to write a number.
type writer struct {
	name  string
	width int
	most  int64 // largest number that fits
	write func(b []byte, v int64)
}

// Those of the writers that are words of 2, 4 or 8 bytes come first: a disk
// whose words are reversed has only such.
const wordWriters = 8

var writers = []writer{
	{"16 bit little-endian", 2, 1<<16 - 1, func(b []byte, v int64) { binary.LittleEndian.PutUint16(b, uint16(v)) }},
	{"16 bit big-endian", 2, 1<<16 - 1, func(b []byte, v int64) { binary.BigEndian.PutUint16(b, uint16(v)) }},
	{"32 bit little-endian", 4, 1<<32 - 1, func(b []byte, v int64) { binary.LittleEndian.PutUint32(b, uint32(v)) }},
	{"32 bit big-endian", 4, 1<<32 - 1, func(b []byte, v int64) { binary.BigEndian.PutUint32(b, uint32(v)) }},
	{"32 bit, high word first", 4, 1<<32 - 1, func(b []byte, v int64) {
		binary.LittleEndian.PutUint32(b, bits.RotateLeft32(uint32(v), 16))
	}},
	{"32 bit, bytes of words exchanged", 4, 1<<32 - 1, func(b []byte, v int64) {
		binary.BigEndian.PutUint32(b, bits.RotateLeft32(uint32(v), 16))
	}},
	{"64 bit little-endian", 8, 1 << 60, func(b []byte, v int64) { binary.LittleEndian.PutUint64(b, uint64(v)) }},
	{"64 bit big-endian", 8, 1 << 60, func(b []byte, v int64) { binary.BigEndian.PutUint64(b, uint64(v)) }},
	{"48 bit big-endian", 6, 1<<48 - 1, func(b []byte, v int64) {
		binary.BigEndian.PutUint16(b, uint16(v>>32))
		binary.BigEndian.PutUint32(b[2:], uint32(v))
	}},
	{"24 bit big-endian", 3, 1<<24 - 1, func(b []byte, v int64) { b[0], b[1], b[2] = byte(v>>16), byte(v>>8), byte(v) }},
	{"decimal digits a half byte, last first", 5, 9999999999, func(b []byte, v int64) {
		for i := range b {
			b[i] = byte(v%10 + v/10%10*16)
			v /= 100
		}
	}},
	{"decimal text behind spaces", 10, 9999999999, func(b []byte, v int64) { copy(b, fmt.Sprintf("%10d", v)) }},
	{"decimal digits a half byte", 5, 9999999999, func(b []byte, v int64) {
		for i := len(b) - 1; i >= 0; i-- {
			b[i] = byte(v%10 + v/10%10*16)
			v /= 100
		}
	}},
	{"decimal text", 10, 9999999999, func(b []byte, v int64) { copy(b, fmt.Sprintf("%010d", v)) }},
	{"hexadecimal text", 8, 1<<32 - 1, func(b []byte, v int64) { copy(b, fmt.Sprintf("%08X", v)) }},
}

// sumKind is a checksum of an invented device.
type sumKind struct {
	name    string
	width   int
	compute func(b []byte) int64
}

var sumKinds = []sumKind{
	{"bytes add up to zero", 1, func(b []byte) int64 {
		v := byte(0)
		for _, c := range b {
			v -= c
		}
		return int64(v)
	}},
	{"sum of bytes in 16 bit", 2, func(b []byte) (v int64) {
		for _, c := range b {
			v += int64(c)
		}
		return v & 0xFFFF
	}},
	{"sum of little-endian words", 2, func(b []byte) (v int64) {
		for i := 0; i+1 < len(b); i += 2 {
			v += int64(b[i]) + int64(b[i+1])<<8
		}
		return v & 0xFFFF
	}},
	{"complement of the sum of big-endian double words", 4, func(b []byte) int64 {
		v := uint32(0)
		for i := 0; i+3 < len(b); i += 4 {
			v += binary.BigEndian.Uint32(b[i:])
		}
		return int64(^v)
	}},
	{"xor of little-endian words", 2, func(b []byte) int64 {
		v := uint16(0)
		for i := 0; i+1 < len(b); i += 2 {
			v ^= binary.LittleEndian.Uint16(b[i:])
		}
		return int64(v)
	}},
	{"CRC-32", 4, func(b []byte) int64 { return int64(crc32.ChecksumIEEE(b)) }},
	{"CRC-32C", 4, func(b []byte) int64 { return int64(crc32.Checksum(b, crc32.MakeTable(crc32.Castagnoli))) }},
	{"CRC-16, polynomial 1021, from FFFF", 2, func(b []byte) int64 {
		v := 0xFFFF
		for _, c := range b {
			for i := 7; i >= 0; i-- {
				top := v>>15&1 ^ int(c)>>i&1
				v = v<<1&0xFFFF ^ top*0x1021
			}
		}
		return int64(v)
	}},
	{"Adler-32", 4, func(b []byte) int64 { return int64(adler32.Checksum(b)) }},
}
