// Package format lays down small, plain FAT12, FAT16 and FAT32 volumes: for
// demonstrations and tests on a machine that has no tool for it. It writes
// what a careful formatter writes and nothing more: boot sectors, allocation
// tables, FSInfo, directories with long names, and the content of files.
//
// The standard is Microsoft, "FAT: General Overview of On-Disk Format",
// version 1.03, called FG in the comments. The size of the tables is not
// taken from its formula, which is one or two entries short for thousands of
// FAT16 sizes, but counted: see fat.TableSectors.
package format

import (
	"fmt"
	"math"
	"math/bits"
	"time"

	"bootgraft/layout/volume/fat"
)

// Options say what volume to make. Zero values stand for the usual choice.
type Options struct {
	Sectors           int64    // of the whole volume, BytesPerSector each; must be given
	BytesPerSector    int      // 512, 1024, 2048 or 4096
	Kind              fat.Kind // by size
	SectorsPerCluster int      // by kind and size
	Reserved          int      // 32 on FAT32, else 1
	FATs              int      // 2
	RootEntries       int      // 512, 0 on FAT32
	RootCluster       uint32   // FAT32: 2
	Hidden            uint32   // disk sectors before the volume
	SectorsPerTrack   uint16   // 63
	Heads             uint16   // 255
	Media             byte     // F8
	Drive             byte     // 80
	OEM               string   // at most 8 bytes
	Label             string   // at most 11 bytes
	ID                uint32   // serial number
	Time              time.Time
}

// Design is a volume to be made: all choices, and how it is divided.
type Design struct {
	Options
	Parts fat.Geometry
}

// sizeRow is a row of the two tables in FG, "FAT Volume Initialization": up to
// so many sectors of 512 bytes, so many of them make a cluster.
type sizeRow struct {
	sectors int64
	cluster int
}

var fat16Rows = []sizeRow{{32680, 2}, {262144, 4}, {524288, 8}, {1048576, 16}, {2097152, 32}, {4194304, 64}}

var fat32Rows = []sizeRow{{532480, 1}, {16777216, 8}, {33554432, 16}, {67108864, 32}, {math.MaxInt64, 64}}

// The sizes in sectors of 512 bytes above which FG goes on to the next type.
const (
	maxFAT12Sectors = 8400
	maxFAT16Sectors = 1048576
)

// Geometry fills in what is not given and divides the volume, or says with
// numbers why that is impossible.
func (o Options) Geometry() (Design, error) {
	o.BytesPerSector = or(o.BytesPerSector, 512)
	if bits.OnesCount(uint(o.BytesPerSector)) != 1 || o.BytesPerSector < 512 || o.BytesPerSector > 4096 {
		return Design{}, fmt.Errorf("a sector of %d bytes is not possible: it is 512, 1024, 2048 or 4096", o.BytesPerSector)
	}
	small := o.Sectors * int64(o.BytesPerSector/512)
	if o.Kind == 0 {
		o.Kind = fat.FAT32
		if small <= maxFAT12Sectors {
			o.Kind = fat.FAT12
		} else if small < maxFAT16Sectors {
			o.Kind = fat.FAT16
		}
	}
	o = o.defaults()
	if o.SectorsPerCluster != 0 {
		return o.divide()
	}
	return o.chooseCluster(small)
}

func (o Options) defaults() Options {
	reserved, root := 1, 512
	if o.Kind == fat.FAT32 {
		reserved, root = 32, 0
		o.RootCluster = or(o.RootCluster, 2)
	}
	o.Reserved, o.RootEntries = or(o.Reserved, reserved), or(o.RootEntries, root)
	o.FATs = or(o.FATs, 2)
	o.SectorsPerTrack, o.Heads = or(o.SectorsPerTrack, 63), or(o.Heads, 255)
	o.Media, o.Drive = or(o.Media, 0xF8), or(o.Drive, 0x80)
	if o.Time.IsZero() {
		o.Time = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return o
}

func or[T comparable](v, usual T) T {
	var zero T
	if v == zero {
		return usual
	}
	return v
}

// chooseCluster takes the row for the size, or for FAT12 the smallest cluster
// that serves.
func (o Options) chooseCluster(small int64) (g Design, err error) {
	rows := map[fat.Kind][]sizeRow{fat.FAT16: fat16Rows, fat.FAT32: fat32Rows}[o.Kind]
	for _, r := range rows {
		if small <= r.sectors {
			o.SectorsPerCluster = max(1, r.cluster*512/o.BytesPerSector)
			return o.divide()
		}
	}
	for o.SectorsPerCluster = 1; o.SectorsPerCluster <= 64; o.SectorsPerCluster *= 2 {
		if g, err = o.divide(); err == nil {
			return g, nil
		}
	}
	return g, err
}

func (o Options) divide() (Design, error) {
	g := Design{Options: o}
	switch {
	case bits.OnesCount(uint(o.SectorsPerCluster)) != 1 || o.SectorsPerCluster > 128:
		return g, fmt.Errorf("%d sectors per cluster are not possible: it is a power of two up to 128", o.SectorsPerCluster)
	case o.Reserved < 1 || o.Reserved > 65535 || o.FATs < 1 || o.FATs > 255:
		return g, fmt.Errorf("%d reserved sectors and %d tables are not possible", o.Reserved, o.FATs)
	case o.Kind == fat.FAT32 && (o.RootEntries != 0 || o.Reserved < 9):
		return g, fmt.Errorf("FAT32 has no fixed root directory, and its backup boot sectors need 9 reserved sectors")
	case o.Sectors < 1 || o.Sectors > math.MaxUint32:
		return g, fmt.Errorf("a volume of %d sectors is not possible: its size has 32 bits", o.Sectors)
	}
	p := fat.Geometry{
		Kind: o.Kind, Bytes: int64(o.BytesPerSector), Cluster: int64(o.SectorsPerCluster), Reserved: int64(o.Reserved),
		FATs: int64(o.FATs), Total: o.Sectors,
		Root: (int64(o.RootEntries)*fat.EntrySize + int64(o.BytesPerSector) - 1) / int64(o.BytesPerSector),
	}
	var clusters int64
	p.Table, clusters = fat.TableSectors(o.Kind, o.Sectors, p.Reserved+p.Root, o.FATs, o.SectorsPerCluster,
		o.BytesPerSector)
	low, high := o.Kind.Clusters()
	if clusters < low || clusters > high {
		return g, fmt.Errorf("%d sectors with %d per cluster make %d clusters; %s has %d to %d",
			o.Sectors, o.SectorsPerCluster, clusters, o.Kind.Format(), low, high)
	}
	p.Clusters = uint32(clusters)
	g.Parts = p
	if o.Kind == fat.FAT32 && (o.RootCluster < 2 || o.RootCluster > p.Clusters+1) {
		return g, fmt.Errorf("the root directory cannot begin at cluster %d: there are 2 to %d", o.RootCluster, p.Clusters+1)
	}
	return g, nil
}
