package amiga

import (
	"bytes"
	"fmt"
	"math/bits"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Byte offsets in a partition block. The environment is a vector of longs.
const (
	partNext        = 16
	partFlags       = 20
	partName        = 36 // a length byte, then the name
	partEnvironment = 128

	envLast     = 0 // index of the last long in use
	envHeads    = 3
	envSectors  = 5
	envLow      = 9
	envHigh     = 10
	envDosType  = 16
	flagBooting = 1
)

// entry lists what the partition block at the given byte of the disk says.
func (t *Table) entry(src image.Source, b []byte, at int64) {
	env := func(i int) uint64 { return uint64(u32(b, partEnvironment+4*i)) }
	sector := sectorOf(src, at)
	index := len(t.Entries) + 1
	e := layout.Entry{
		Index: index, Name: name(b[partName : partName+32]), Active: u32(b, partFlags)&flagBooting != 0,
		Table: sector, Offset: int(at % int64(src.SectorSize())),
	}
	if env(envLast) >= envDosType {
		e.Type = dosType(b[partEnvironment+4*envDosType:])
		e.TypeName = typeNames[e.Type]
	}
	perCylinder := env(envHeads) * env(envSectors)
	over, start := bits.Mul64(env(envLow), perCylinder)
	if env(envHigh) < env(envLow) || over != 0 {
		t.Findings = append(t.Findings, disk.Warningf(disk.EntryImplausible, sector,
			"entry %d in sector %d (byte %d) runs from cylinder %d to %d; it is "+
				"listed as empty", index, sector, e.Offset, env(envLow), env(envHigh)))
		t.Entries = append(t.Entries, e)
		return
	}
	over, count := bits.Mul64(env(envHigh)-env(envLow)+1, perCylinder)
	if over != 0 {
		count = 1 << 63
	}
	span, exact := disk.Units(start, count, t.BlockBytes, src.SectorSize())
	if !exact {
		t.Findings = append(t.Findings, disk.Warningf(disk.EntryInsideSector, sector,
			"entry %d begins or ends inside a sector of %d bytes, because the table counts in blocks of %d "+
				"bytes; it is listed as sectors %s. Look at the disk with a sector size of %d",
			index, src.SectorSize(), t.BlockBytes, span, t.BlockBytes))
	}
	e.Span = span
	t.Entries = append(t.Entries, e)
}

// name returns a string that begins with its length.
func name(b []byte) string {
	n := min(int(b[0]), len(b)-1)
	return strings.TrimRight(string(bytes.ToValidUTF8(b[1:1+n], []byte("?"))), "\x00")
}

// dosType writes the four bytes as they are spoken of: DOS\1.
func dosType(b []byte) string {
	var out strings.Builder
	for _, c := range b[:4] {
		if c >= ' ' && c < 0x7F {
			out.WriteByte(c)
		} else {
			fmt.Fprintf(&out, `\%d`, c)
		}
	}
	return out.String()
}

// From memory: the file system types that the system itself came with.
var typeNames = map[string]string{
	`DOS\0`: "old file system",
	`DOS\1`: "fast file system",
	`DOS\2`: "old file system, international",
	`DOS\3`: "fast file system, international",
	`DOS\4`: "old file system, directory cache",
	`DOS\5`: "fast file system, directory cache",
	`LNX\0`: "Linux",
	`SWP\0`: "Linux swap",
}
