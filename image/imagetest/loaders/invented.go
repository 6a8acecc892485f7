//go:build linux

package loaders

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
)

// payload returns what is started, in so many sectors; it knows whether it is whole.
func (d *disk) payload(sectors int) []byte {
	b := append(codeBytes(d.t, "payload"), bytes.Repeat([]byte{0x90}, (sectors-1)*sector)...)
	if sectors > 1 {
		copy(b[0x1e0:], le16(int64(sectors)))
		copy(b[len(b)-4:], "END!")
	}
	return b
}

// The loader that wants its file as the first of the root directory, in one piece.
const dosFile = "BOOTLOAD.BIN"

// dosPayload takes the first entry of the directory, which it gets before anything
// else lies there: see dosForm.
func dosPayload(d *disk) { d.put(dosFile, d.payload(10)) }

// dosBoot installs the boot sector, and sector 0 that starts it.
func dosBoot(kind string) func(*disk) {
	return func(d *disk) {
		d.bootCode(codeBytes(d.t, "mbr-"+kind))
		d.bootSector(codeBytes(d.t, "dos-"+kind))
	}
}

// bootSector puts code into the boot sector of a FAT12 or FAT16 volume, whose numbers
// it keeps.
func (d *disk) bootSector(b []byte) {
	d.write(d.Start*sector, b[:3])
	d.write(d.Start*sector+62, b[62:510])
}

// Of the device with a second stage in the gap: sectors behind its entry, and the one
// of them, counted from the end, that it wants.
const (
	ownTail = 40
	ownWant = 8
)

// ownBoot installs it; absolute: its code names the sector by its address.
func ownBoot(absolute bool) func(*disk) {
	return func(d *disk) {
		boot, stage := codeBytes(d.t, "own"), codeBytes(d.t, "stage2")
		gap := bytes.Index(boot, []byte{16, 0, 4, 0, 0, 0x80}) + 8
		copy(boot[gap:], le32(5))
		want := d.Sectors() - ownWant
		if absolute {
			copy(stage[0x100:], le32(want))
		} else {
			copy(stage[0x104:], le32(ownWant))
		}
		d.bootCode(boot)
		d.write(5*sector, stage)
		tail := bytes.Repeat([]byte{0xd7, 0x11, 0x4a}, sector/3+1)[:sector]
		copy(tail, "TAIL")
		for s := d.Start + d.count; s < d.Sectors(); s++ {
			d.write(s*sector, tail)
			copy(tail, "MORE")
		}
		copy(tail, "TAIL")
		d.write((d.Start+d.count)*sector, bytes.Repeat([]byte{0x3c, 0xa9}, sector/2))
		d.write(want*sector, tail)
	}
}

// Encodings are the ways in which a number of map.s names a place.
var Encodings = []string{"le32", "be32", "swapped", "24", "kib", "relative", "cluster", "chs"}

// encode names a sector in one of the encodings.
func (d *disk) encode(kind string, lba int64) []byte {
	d.t.Helper()
	switch kind {
	case "le32":
		return le32(lba)
	case "be32":
		return binary.BigEndian.AppendUint32(nil, uint32(lba))
	case "swapped":
		return append(le16(lba>>16), le16(lba)...)
	case "24":
		return le32(lba)[:3]
	case "kib":
		if lba%2 != 0 {
			d.t.Fatalf("sector %d is no whole KiB", lba)
		}
		return le32(lba / 2)
	case "relative":
		return le32(lba - d.Start)
	case "cluster":
		return le16((lba-d.data())/d.cluster() + 2)
	case "chs":
		return tuple(lba)
	}
	d.t.Fatalf("no encoding %q", kind)
	return nil
}

const (
	mapFile    = "SYSTEM.MAP"
	mapPayload = "SYSTEM.BIN"
	mapNumber  = 0x1a1 // in sector 0
)

// mapLong is how many sectors the payload of a map has.
const mapLong = 10

// counted tells whether code has the count of sectors beside a place of this kind.
func counted(kind string) bool { return kind == "24" || kind == "cluster" || kind == "chs" }

// mapPart returns how many sectors a place in a map stands for.
func (d *disk) mapPart(kind string) int64 {
	switch kind {
	case "kib":
		return 2
	case "cluster":
		return d.cluster()
	}
	return 1
}

// mapStage makes room for the map, of which the last sectors are empty.
func mapStage(d *disk) { d.put(mapFile, make([]byte, 3*sector)) }

// mapListed lets sector 0 name the map, and the map every part of the payload.
func mapListed(kind string) func(*disk) {
	return func(d *disk) {
		m := []byte("MAPF\x00\x00\x00\x00")
		for at := d.places(mapPayload)[:mapLong]; len(at) > 0; at = at[min(d.mapPart(kind), int64(len(at))):] {
			m = append(m, d.encode(kind, at[0])...)
			m[4]++
		}
		first := d.places(mapFile)[0]
		d.write(first*sector, append(m, make([]byte, sector-len(m))...))
		d.mapBoot(kind, first, 3)
	}
}

// mapAlone lets sector 0 name the payload itself.
func mapAlone(kind string) (payload, finish func(*disk)) {
	sectors := 1
	if counted(kind) {
		sectors = mapLong
	}
	return func(d *disk) { d.put(mapPayload, d.payload(sectors)) },
		func(d *disk) { d.mapBoot(kind, d.places(mapPayload)[0], sectors) }
}

func (d *disk) mapBoot(kind string, target int64, sectors int) {
	boot, named := codeBytes(d.t, "map-"+kind), d.encode(kind, target)
	if counted(kind) {
		named = append(named, byte(sectors))
	}
	copy(boot[mapNumber:], named)
	d.bootCode(boot)
}

// uefiProgram wraps code into the smallest form that firmware takes (Microsoft PE
// Format, PE32+: one section, no relocations to be made).
func uefiProgram(code []byte) []byte {
	const headers, aligned = 0x200, 0x1000
	b := make([]byte, headers+0x200)
	copy(b, "MZ")
	copy(b[0x3c:], le32(0x40))
	h := b[0x40:]
	put := func(at, width int, n uint64) {
		var x [8]byte
		binary.LittleEndian.PutUint64(x[:], n)
		copy(h[at:at+width], x[:])
	}
	copy(h, "PE\x00\x00")
	put(4, 2, 0x8664)        // x86-64
	put(6, 2, 1)             // sections
	put(20, 2, 112+6*8)      // size of what follows
	put(22, 2, 0x22e)        // executable, large addresses
	o := 24                  // the optional header
	put(o, 2, 0x20b)         // PE32+
	put(o+4, 4, 0x200)       // size of code
	put(o+16, 4, aligned)    // entry
	put(o+20, 4, aligned)    // base of code
	put(o+32, 4, aligned)    // alignment of sections
	put(o+36, 4, 0x200)      // in the file
	put(o+48, 2, 1)          // version of the subsystem
	put(o+56, 4, 2*aligned)  // size of all
	put(o+60, 4, headers)    //
	put(o+68, 2, 10)         // EFI application
	put(o+108, 4, 6)         // directories, all empty
	s := o + 112 + 6*8       // the section
	copy(h[s:], ".text")     //
	put(s+8, 4, 0x200)       // size
	put(s+12, 4, aligned)    // address
	put(s+16, 4, 0x200)      // in the file
	put(s+20, 4, headers)    //
	put(s+36, 4, 0x60000020) // code, to be run and read
	copy(b[headers:], code)
	return b
}

func uefiPayload(d *disk) {
	d.put("EFI/BOOT/BOOTX64.EFI", uefiProgram(codeBytes(d.t, "uefi")))
}

// Das U-Boot reads a file by its name and tells its sum, which is that of RFC 1952 8.
const uBootSize = 5120

var (
	uBootTypes = []string{"ide reset", "load ide 0:1 1000000 SYSTEM.BIN", fmt.Sprintf("crc32 1000000 %x", uBootSize)}
	uBootMark  = fmt.Sprintf("==> %08x", crc32.ChecksumIEEE(uBootFile()))
)

func uBootFile() []byte {
	b := make([]byte, uBootSize)
	rand.NewChaCha8([32]byte{5}).Read(b)
	return b
}

func uBootPayload(d *disk) { d.put(mapPayload, uBootFile()) }
