// Package diff says what a device did to a disk: the disk before, planned or
// read back, is compared with the disk after, region by region, and what
// differs is put into words. A device that only counted its starts, one that
// mended one copy of its tables from another, and one that did not know the
// layout and made its own leave different traces.
package diff

import (
	"bytes"
	"context"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/volume"
)

// Kind is what a device did. The names are stable.
type Kind string

// The kinds, from the least to the most.
const (
	Untouched    Kind = "untouched"      // not one sector differs
	Numbers      Kind = "number"         // numbers about the size of the disk were written
	Checksums    Kind = "checksum"       // checksums were made new over bytes that changed
	Counted      Kind = "counter"        // a few bytes of the boot areas, and no number fits
	Mounted      Kind = "mounted"        // what every system changes in a volume that it mounts
	Desktop      Kind = "desktop"        // files that desktops make
	Files        Kind = "files"          // volumes changed inside
	Content      Kind = "content"        // volumes changed inside, and no name, size or date of a file with them
	TailFromHead Kind = "tail-from-head" // sectors of the tail hold what the head held
	HeadFromTail Kind = "head-from-tail" // sectors of the head hold what the tail held
	Mended       Kind = "copy"           // sectors hold what a copy at the same end held
	Rewritten    Kind = "rewritten"      // boot areas changed, and nothing says how
	NewFormat    Kind = "new-format"     // another table, other volumes, or a head that is another one
	NewVolume    Kind = "new-volume"     // a volume was made new
)

// Region is one region of the disk before, and what of it differs.
type Region struct {
	layout.Region
	Changed  disk.Sector // sectors that differ
	Bytes    int64       // bytes that differ
	First    disk.Sector // first and last sector that differ, if any does
	Last     disk.Sector
	Unknown  disk.Sector // sectors not known on one side, and not compared
	Restored disk.Sector // sectors that hold what the other end of the disk held
	Numbers  []Number    // the first bytes that changed
}

// Number is a run of bytes that changed, at most maxNumber of it.
type Number struct {
	Sector  disk.Sector
	Byte    int
	Was, Is []byte
}

// Report is what a device did to a disk.
type Report struct {
	Sectors  disk.Sector
	Compared disk.Sector
	Changed  disk.Sector
	Regions  []Region // those of the disk before; they tile it
	Kinds    []Kind   // all that is seen; never empty
	Readings []Reading
	Copies   []Copy
	Renewed  []Renewed
	Volumes  []MadeVolume
	Files    FileChanges
	Findings []disk.Finding

	// Unexplained are the sectors inside volumes that changed though no file that came or
	// went, no folder and no mount explains it.
	Unexplained disk.Sector

	// Original tells whether the disk after is one that the device made itself,
	// and so an original to compare with others.
	Original bool
}

// The bounds of what a report lists: changed runs of a region, bytes of a run,
// and sectors that are looked for at the other end of the disk. By hand, no source.
const (
	maxNumbers = 8
	maxNumber  = 16
	maxEnds    = 8192
	maxSpans   = 1 << 16 // of changed sectors inside volumes; the last one takes the rest
)

// chunk is how many bytes are compared at once.
const chunk = 1 << 20

// SizeError says that two disks are not one disk before and after.
type SizeError struct {
	Before, After         disk.Sector
	SizeBefore, SizeAfter int // of a sector
}

func (e *SizeError) Error() string {
	return fmt.Sprintf(
		"the disk before has %s sectors of %d bytes and the one after %s of %d: they are not one disk",
		disk.Grouped(e.Before), e.SizeBefore, disk.Grouped(e.After), e.SizeAfter)
}

// Side is one side of the comparison: its bytes, and what was found on it.
type Side struct {
	Source image.Source
	Survey *layout.Map
}

// Options say how a comparison runs.
type Options struct {
	Drive    disk.Sector // sectors of the drive that the card was planned from, if that is known
	Progress func(done, total disk.Sector)

	// Only are the sectors that are compared: somebody has looked at the others before.
	// nil: all of them.
	Only disk.Spans
}

// work is one comparison.
type work struct {
	ctx           context.Context
	before, after Side
	opt           Options
	size          int64
	out           *Report
	ends          []end
	a, b          []byte // what is compared, of each side

	// Sectors that hold what a copy held: at the other end, or at the same.
	headRestored, tailRestored, nearRestored int

	// What changed volumes.
	files, mounted, desktop, content bool

	inVolumes []disk.Span              // sectors inside volumes that changed
	counters  map[int][]volume.Counter // that a mount changes, by volume
	emptied   disk.Sector              // sectors of boot areas that are blank now and were not
}

// Compare says what differs. The error is a *SizeError or a failed read.
func Compare(ctx context.Context, before, after Side, opt Options) (*Report, error) {
	n, m := image.Sectors(before.Source), image.Sectors(after.Source)
	if a, b := before.Source.SectorSize(), after.Source.SectorSize(); n != m || a != b {
		return nil, &SizeError{n, m, a, b}
	}
	w := &work{
		ctx: ctx, before: before, after: after, opt: opt, size: int64(before.Source.SectorSize()),
		out: &Report{Sectors: n}, a: make([]byte, chunk), b: make([]byte, chunk),
	}
	for _, r := range before.Survey.Regions {
		if err := w.region(r); err != nil {
			return nil, err
		}
	}
	w.readNumbers()
	for _, explain := range []func() error{w.findCopies, w.findTwins, w.findSums, w.lookIntoVolumes} {
		if err := explain(); err != nil {
			return nil, err
		}
	}
	w.judge()
	return w.out, nil
}

// region compares one region.
func (w *work) region(r layout.Region) error {
	w.out.Regions = append(w.out.Regions, Region{Region: r})
	out := &w.out.Regions[len(w.out.Regions)-1]
	unknown := disk.NewSpans(append(image.Unknown(w.before.Source, r.Span), image.Unknown(w.after.Source, r.Span)...)...)
	out.Unknown = unknown.Sectors()
	w.out.Compared += r.Count - out.Unknown
	if w.opt.Only != nil {
		unknown = unknown.Union(w.opt.Only.Outside(r.Span))
	}
	step := disk.Sector(chunk / w.size)
	for _, known := range unknown.Outside(r.Span) {
		for x := w.skip(known.Start); x < known.End(); x = w.skip(x + step) {
			if err := w.ctx.Err(); err != nil {
				return err
			}
			s := disk.Between(x, min(x+step, known.End()))
			if err := w.part(out, s, w.a[:int64(s.Count)*w.size], w.b[:int64(s.Count)*w.size]); err != nil {
				return err
			}
			if w.opt.Progress != nil {
				w.opt.Progress(s.End(), w.out.Sectors)
			}
		}
	}
	w.out.Changed += out.Changed
	return nil
}

// skip passes over what neither disk stores: it is zero on both.
func (w *work) skip(x disk.Sector) disk.Sector {
	off := int64(x) * w.size
	a, _ := image.NextData(w.before.Source, off)
	b, _ := image.NextData(w.after.Source, off)
	return max(x, disk.Sector(min(a, b)/w.size))
}

// part compares some sectors.
func (w *work) part(out *Region, s disk.Span, a, b []byte) error {
	off := int64(s.Start) * w.size
	if err := image.ReadFull(w.before.Source, a, off); err != nil {
		return fmt.Errorf("reading sectors %s of the disk before: %w", s, err)
	}
	if err := image.ReadFull(w.after.Source, b, off); err != nil {
		return fmt.Errorf("reading sectors %s of the disk after: %w", s, err)
	}
	if bytes.Equal(a, b) {
		return nil
	}
	for i := int64(0); i < int64(len(a)); i += w.size {
		if was, is := a[i:i+w.size], b[i:i+w.size]; !bytes.Equal(was, is) {
			w.sector(out, s.Start+disk.Sector(i/w.size), was, is)
		}
	}
	return nil
}

// sector notes one sector that differs.
func (w *work) sector(out *Region, x disk.Sector, was, is []byte) {
	if out.Changed == 0 {
		out.First = x
	}
	out.Last = x
	out.Changed++
	for i := 0; i < len(was); i++ {
		if was[i] == is[i] {
			continue
		}
		j := i
		for j < len(was) && was[j] != is[j] {
			j++
		}
		out.Bytes += int64(j - i)
		if len(out.Numbers) < maxNumbers {
			k := min(j, i+maxNumber)
			out.Numbers = append(out.Numbers, Number{x, i, bytes.Clone(was[i:k]), bytes.Clone(is[i:k])})
		}
		i = j
	}
	if out.Role == layout.RoleVolume {
		if n := len(w.inVolumes); n > 0 && (w.inVolumes[n-1].End() == x || n == maxSpans) {
			w.inVolumes[n-1].Count = x + 1 - w.inVolumes[n-1].Start
			return
		}
		w.inVolumes = append(w.inVolumes, disk.Span{Start: x, Count: 1})
		return
	}
	if _, blank := image.Blank(is); blank {
		if _, before := image.Blank(was); !before {
			w.emptied++
		}
	}
	if len(w.ends) < maxEnds {
		w.ends = append(w.ends, newEnd(x, len(w.out.Regions)-1, was, is))
	}
}
