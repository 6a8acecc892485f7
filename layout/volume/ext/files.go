package ext

import (
	"errors"

	"bootgraft/image/disk"
	"bootgraft/layout/volume"
)

// Found implements volume.Volume.
func (v *Volume) Found() []disk.Finding { return v.Findings }

// CheckPlace implements volume.Volume: what is wrong with the place is found when
// the volume is opened.
func (v *Volume) CheckPlace(_, _ disk.Sector) []disk.Finding { return nil }

// Usage implements volume.Volume. The superblock counts the blocks that are free;
// its copies are not kept up to date.
func (v *Volume) Usage() (int64, []disk.Finding) {
	if v.FreeBlocks > v.Blocks || v.Backup != 0 {
		return -1, nil
	}
	return int64(v.Blocks-v.FreeBlocks) * v.BlockSize, nil
}

// Copies implements volume.Volume. The copies of a superblock differ from it by
// their number and are not kept up to date: none answers for it sector by sector.
func (v *Volume) Copies() []volume.Copy { return nil }

// Marks implements volume.Volume: none of its sectors lies in a boot area.
func (v *Volume) Marks(func(disk.Sector) []byte) []volume.Mark { return nil }

// Files implements volume.Volume.
func (v *Volume) Files(_ volume.Options, visit func(*volume.File) error) ([]disk.Finding, error) {
	out, err := v.walk(func(e File) error {
		f := &volume.File{
			Path: e.Path, Dir: e.Mode.IsDir(), Regular: e.Mode.IsRegular(), Size: e.Size, Modified: e.Modified, Fault: e.Err,
			Content: v.Open(e),
		}
		for _, x := range e.Extents {
			if x.Kind == Data {
				f.Extents = append(f.Extents, volume.Extent{Offset: x.FileOffset, Bytes: x.Bytes, Sectors: x.Sectors, Skip: x.Skip})
			}
		}
		return visit(f)
	})
	var format *disk.FormatError
	if errors.As(err, &format) {
		return append(out, volume.NotWalkable(format)...), nil
	}
	return out, err
}

// Counters implements volume.Volume: The Linux kernel documentation, "ext4 Data
// Structures and Algorithms", "Super Block"; the superblock is at byte 1024.
func (v *Volume) Counters() []volume.Counter {
	return []volume.Counter{
		{Name: "the time of its last mount", At: 1024 + 0x2C, Size: 4}, {Name: "the time of its last write", At: 1024 + 0x30,
			Size: 4},
		{Name: "its mount count", At: 1024 + 0x34, Size: 2}, {Name: "its state", At: 1024 + 0x3A, Size: 2},
		{Name: "the folder that it was last mounted on", At: 1024 + 0x88, Size: 64},
		{Name: "the kilobytes ever written to it", At: 1024 + 0x178, Size: 8},
	}
}
