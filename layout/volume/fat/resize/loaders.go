package resize

import (
	"encoding/binary"
	"math"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/volume/fat"
)

// A boot loader that cannot read a file system finds its next part by the
// address of a sector, which stands in its first sector, and the rest by a
// list of sectors inside that part (common practice, no source).

// By hand, no source: they bound time and memory on any volume.
const (
	maxCandidates = 10000
	maxLoader     = 16 << 20 // bytes of a file that can be one
)

// candidate is a file that may be such a part.
type candidate struct {
	path    string
	attr    fat.Attr
	runs    []fat.Run
	extents []disk.Span
	size    int64
}

func (j *job) candidate(f *fat.File) (candidate, bool) {
	if f.Size < 512 || f.Size > maxLoader || f.Chain.Clusters == 0 {
		return candidate{}, false
	}
	c := candidate{path: f.Path, attr: f.Raw.Attr(), size: f.Size, runs: append([]fat.Run(nil), f.Chain.Runs...)}
	c.extents = j.v.Extents(c.runs)
	return c, true
}

// findLoaders pins each candidate whose first sector is named in boot code,
// if the file itself names its own sectors, or is marked as a part of a system.
func (j *job) findLoaders(code [][]byte, files []candidate) {
	byFirst := map[uint32]int{}
	low, high := uint32(math.MaxUint32), uint32(0) // most numbers lie outside, and need no look into the map
	for i, f := range files {
		for _, at := range []uint32{uint32(f.extents[0].Start), uint32(f.extents[0].Start + j.w.From)} {
			byFirst[at] = i
			low, high = min(low, at), max(high, at)
		}
	}
	named := map[int]bool{}
	for at := range addresses(code...) {
		if at < low || at > high {
			continue
		}
		if i, ok := byFirst[at]; ok {
			named[i] = true
		}
	}
	for at := range addresses(j.w.BootCode...) {
		if at < low || at > high {
			continue
		}
		if i, ok := byFirst[at]; ok && uint32(files[i].extents[0].Start+j.w.From) == at {
			named[i] = true
		}
	}
	for i, f := range files {
		if !named[i] {
			continue
		}
		const marks = fat.AttrReadOnly | fat.AttrHidden | fat.AttrSystem
		switch {
		case j.namesItself(&f):
			j.pin(f.runs, f.path, disk.LoaderFileMoves, true, "boot code names its first sector, and it holds a list of its own sectors")
		case f.attr&marks != 0:
			j.pin(f.runs, f.path, disk.LoaderFileMoves, true, "boot code seems to name its first sector")
		}
	}
}

// namesItself tells whether the beginning of a file holds the address of its
// own second sector, or of another run of its clusters.
func (j *job) namesItself(f *candidate) bool {
	own := map[uint32]bool{}
	for i, e := range f.extents {
		at := e.Start
		if i == 0 {
			at++
		}
		own[uint32(at)], own[uint32(at+j.w.From)] = true, true
	}
	b := make([]byte, min(f.size, maxCode))
	c := fat.NewContent(j.v.Source(), f.extents, f.size)
	if err := image.ReadFull(c, b, 0); err != nil {
		return false
	}
	for at := range addresses(b) {
		if own[at] {
			return true
		}
	}
	return false
}

// addresses yields every number of 32 bits in each of the runs, at every byte.
func addresses(runs ...[]byte) func(yield func(uint32) bool) {
	return func(yield func(uint32) bool) {
		for _, b := range runs {
			for ; len(b) >= 4; b = b[1:] {
				if !yield(binary.LittleEndian.Uint32(b)) {
					return
				}
			}
		}
	}
}
