// Package amiga reads the Amiga rigid disk block (RDB) and the chain of
// partition blocks that it begins. Everything is big-endian.
//
// Source: the Linux headers affs_hardblocks.h and the reader
// block/partitions/amiga.c.
package amiga

import (
	"encoding/binary"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

const (
	searched   = 16 // RDB_ALLOCATION_LIMIT: the RDB is in one of the first 16 blocks of 512 bytes
	searchUnit = 512
	blockBytes = 512 // what is read of any block: the structures end before
	maxChain   = 128 // partition blocks; more is no chain that anybody made
	endOfChain = 0xFFFFFFFF
	trashedAt  = 0xDC // a system that knows no RDB writes its disk signature here
)

// Byte offsets in the rigid disk block.
const (
	rdbBlockBytes = 16
	rdbPartitions = 28
	rdbCylinders  = 64
	rdbSectors    = 68
	rdbHeads      = 72
	rdbAreaLow    = 128
	rdbAreaHigh   = 132
)

// Table is a rigid disk block and its partition blocks as they lie on a disk. Entries
// are numbered from 1 in the order of the chain. Its State is InForce, or Damaged if a
// checksum or the chain is broken.
type Table struct {
	Block      int64 // block of 512 bytes that holds the RDB, 0 to 15
	BlockBytes int   // bytes of a block of the table
	Trashed    bool  // the checksum is right only without bytes DCh to DFh
	layout.Parsed
}

// Read looks for a rigid disk block in the first 16 blocks of src. One whose
// checksum is right wins over one whose checksum is wrong. If there is none it
// returns a FormatError of fault Absent.
func Read(src image.Source) (*Table, error) {
	block, b, state, err := find(src)
	if err != nil {
		return nil, err
	}
	t := &Table{Block: block, BlockBytes: int(min(u32(b, rdbBlockBytes), 1<<30)), Trashed: state == trashed}
	at := sectorOf(src, block*searchUnit)
	if t.BlockBytes < 512 || t.BlockBytes > 1<<15 || t.BlockBytes%512 != 0 {
		return nil, disk.Malformedf("Amiga RDB", at, rdbBlockBytes, "a block of %d bytes is not possible", t.BlockBytes)
	}
	t.Table = layout.Table{
		Kind: "amiga", State: layout.InForce, SectorSize: t.BlockBytes,
		Evidence: []string{fmt.Sprintf("RDSK in block %d", block)},
	}
	switch state {
	case good:
		t.Evidence = append(t.Evidence, "its checksum")
	case trashed:
		t.Findings = append(t.Findings, disk.Notef(disk.TableTrashedWord, at,
			"bytes DC to DF of the rigid disk block in sector %d were overwritten by a system that does not "+
				"know it; without them its checksum is right, and so the table is used",
			at))
	default:
		t.Damagedf(disk.TableChecksum, at,
			"the checksum of the rigid disk block in sector %d (byte 8) is wrong. Its numbers may be wrong: "+
				"compare its entries with what lies in the places they name",
			at)
	}
	t.area(src, b)
	if err := t.chain(src, u32(b, rdbPartitions)); err != nil {
		return nil, err
	}
	t.Check(image.Sectors(src), func(layout.Entry) bool { return true })
	return t, nil
}

// The outcomes of a checksum.
type sum int

const (
	wrong   sum = iota
	trashed     // right if bytes DCh to DFh are taken for zeros
	good
)

func find(src image.Source) (block int64, b []byte, state sum, err error) {
	at := int64(-1)
	var kept []byte
	for i := range int64(searched) {
		if src.Size() < i*searchUnit+blockBytes {
			break
		}
		b := make([]byte, blockBytes)
		if err := image.ReadFull(src, b, i*searchUnit); err != nil {
			return 0, nil, wrong, fmt.Errorf("reading byte %d in sector %d: %w", i*searchUnit,
				i*searchUnit/int64(src.SectorSize()), err)
		}
		if string(b[:4]) != "RDSK" {
			continue
		}
		if s := check(b); s != wrong {
			return i, b, s, nil
		}
		if kept == nil {
			at, kept = i, b
		}
	}
	if kept == nil {
		return 0, nil, wrong, disk.Absentf("Amiga RDB", 0, -1, "no RDSK in the first %d blocks", searched)
	}
	return at, kept, wrong, nil
}

// check adds up the longs that a block says are summed; the sum is to be 0.
func check(b []byte) sum {
	n := u32(b, 4)
	if n > blockBytes/4 {
		n &= 0x7F
	}
	var s uint32
	for i := range int(n) {
		s += u32(b, 4*i)
	}
	switch {
	case n == 0:
		return wrong
	case s == 0:
		return good
	case string(b[:4]) == "RDSK" && 4*n > trashedAt && s == u32(b, trashedAt):
		return trashed
	}
	return wrong
}

// area settles which sectors the table owns: the block itself and the range
// that it reserves, as far as that is believable.
func (t *Table) area(src image.Source, b []byte) {
	size := src.SectorSize()
	own, _ := disk.Units(uint64(t.Block), 1, searchUnit, size)
	t.Own = disk.NewSpans(own)
	blocks := uint64(u32(b, rdbCylinders)) * uint64(u32(b, rdbSectors))
	if heads := uint64(u32(b, rdbHeads)); heads == 0 || blocks < 1<<63/heads {
		whole, _ := disk.Units(0, blocks*heads, t.BlockBytes, size)
		t.Ends = whole.End()
	}
	low, high := u32(b, rdbAreaLow), u32(b, rdbAreaHigh)
	if low > high {
		t.Findings = append(t.Findings, disk.Warningf(disk.TableAreaImplausible, own.Start,
			"the rigid disk block in sector %d (byte %d) reserves blocks %d to %d, which is no range; "+
				"only the blocks that are in use count as the table",
			own.Start, rdbAreaLow, low, high))
		return
	}
	reserved, _ := disk.Units(uint64(low), uint64(high)-uint64(low)+1, t.BlockBytes, size)
	if reserved.End() > image.Sectors(src) {
		t.Findings = append(t.Findings, disk.Warningf(disk.TableAreaImplausible, own.Start,
			"the rigid disk block in sector %d (byte %d) reserves sectors %s, but the disk has %d; "+
				"only the blocks that are in use count as the table",
			own.Start, rdbAreaLow, reserved, image.Sectors(src)))
		return
	}
	t.Own = t.Own.Add(reserved)
}

// chain follows the partition blocks.
func (t *Table) chain(src image.Source, next uint32) error {
	seen := map[uint32]bool{}
	from := t.Own[0].Start
	for next != endOfChain && next != 0 {
		span, _ := disk.Units(uint64(next), 1, t.BlockBytes, src.SectorSize())
		switch {
		case seen[next]:
			t.Damagedf(disk.TableChainLoop, from,
				"the partition block in sector %d leads back to block %d, which is in the chain already; "+
					"the chain is cut there",
				from, next)
			return nil
		case len(seen) == maxChain:
			t.Damagedf(disk.TableTooLong, from, "the chain of partition blocks is longer than %d; it is cut there", maxChain)
			return nil
		case int64(next)*int64(t.BlockBytes)+blockBytes > src.Size():
			t.Damagedf(disk.TableEntryMissing, from,
				"the block in sector %d names partition block %d (byte %d of the disk), "+
					"which is past the end of the disk; the entries after it are lost",
				from, next, int64(next)*int64(t.BlockBytes))
			return nil
		}
		seen[next] = true
		b := make([]byte, blockBytes)
		if err := image.ReadFull(src, b, int64(next)*int64(t.BlockBytes)); err != nil {
			return err
		}
		if string(b[:4]) != "PART" {
			t.Damagedf(disk.TableEntryMissing, span.Start,
				"sector %d is in the chain of partition blocks, but does not begin with PART; "+
					"the entries after it are lost",
				span.Start)
			return nil
		}
		if check(b) != good {
			t.Damagedf(disk.TableChecksum, span.Start,
				"the checksum of the partition block in sector %d (byte 8) is wrong; its entry is listed, "+
					"and may be wrong",
				span.Start)
		}
		t.Own = t.Own.Add(span)
		t.entry(src, b, int64(next)*int64(t.BlockBytes))
		from, next = span.Start, u32(b, partNext)
	}
	return nil
}

func u32(b []byte, at int) uint32 { return binary.BigEndian.Uint32(b[at:]) }

func sectorOf(src image.Source, at int64) disk.Sector {
	return disk.Sector(at / int64(src.SectorSize()))
}
