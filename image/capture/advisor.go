package capture

import (
	"context"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// Class ranks sectors by what they are worth to somebody who wants the device
// to start again.
type Class uint8

// The classes, in the order in which they are read. Free is what nobody named.
const (
	Free Class = iota
	Boot
	Tables
	Directories
	Samples // a little here and there, which tells what is worth reading first of the rest
	Files
	Sound // what looks like recordings that no file names
)

// Classes are all classes in the order in which they are read.
var Classes = []Class{Boot, Tables, Directories, Samples, Files, Sound, Free}

func (c Class) String() string {
	return [...]string{Free: "free", Boot: "boot", Tables: "tables", Directories: "directories", Samples: "samples",
		Files: "files", Sound: "sound"}[c]
}

// Wish is a run of sectors that is worth reading before what has no name.
type Wish struct {
	disk.Span
	Class Class
}

// Advisor says what is worth reading first. It is asked again whenever all
// that it named has been tried once, with everything that is known by then: it
// reads a table, names what the table names, and so on. It returns its wishes
// in order of value; those it has named before may be left out. When nothing
// in its answer is new, it is not asked again.
type Advisor interface {
	// Next may read known; a sector that was not read yet is an
	// *image.UnknownError. The source is valid until Next returns. The error is
	// that of ctx, or what was read before cannot be read back.
	Next(ctx context.Context, known image.Source) ([]Wish, error)
}

// Default sizes of the boot areas of a disk of which nothing is known: chosen by
// hand, no source, so that what a device keeps before its recordings fits in.
const (
	DefaultHead = 64 << 20 // bytes
	DefaultTail = 64 << 20 // bytes
)

// Ends is the Advisor for a disk of which nothing is known: sector 0, the
// beginning, the end. The first 1/256 of the disk at each end comes before the
// rest of both, because on a small disk 64 MiB take long.
type Ends struct {
	Head, Tail int64 // bytes; 0 means the default, less than 0 none
}

// Next implements Advisor.
func (e Ends) Next(_ context.Context, known image.Source) ([]Wish, error) {
	return e.spans(known), nil
}

func (e Ends) spans(known image.Source) []Wish {
	n, all := disk.Sector(known.SectorSize()), image.Sectors(known)
	size := func(have, usual int64) disk.Sector {
		if have == 0 {
			have = usual
		}
		return min(all, (disk.Sector(max(have, 0))+n-1)/n)
	}
	head, tail := size(e.Head, DefaultHead), size(e.Tail, DefaultTail)
	// A small part of both ends comes before the whole of either: if the drive dies
	// half-way, the sectors nearest to the ends are worth most. 1/256 by hand, no source.
	first := max(all/256, (1<<20)/n)
	var out []Wish
	for _, s := range []disk.Span{
		{Count: min(1, head)},
		{Count: min(head, first)},
		disk.Between(all-min(tail, first), all),
		{Count: head},
		disk.Between(all-tail, all),
	} {
		if !s.Empty() {
			out = append(out, Wish{s, Boot})
		}
	}
	return out
}
