package second

import (
	"context"
	"io"

	"github.com/diskfs/go-diskfs/filesystem"
	"github.com/diskfs/go-diskfs/filesystem/fat12"
	"github.com/diskfs/go-diskfs/filesystem/fat16"
	"github.com/diskfs/go-diskfs/filesystem/fat32"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/scan"
	"bootgraft/layout/volume/fat"
)

// Volume asks about the volume that a survey of src found at l. ok is false if the
// second reader is not asked about its kind. If ctx ends, so does the comparison, and
// the opinion means nothing.
func Volume(ctx context.Context, src image.Source, m *layout.Map, l layout.Volume, opt Options) (o Opinion, ok bool) {
	if !l.Listed {
		return o, false
	}
	opened, err := scan.Open(src, m, l.Index)
	if err != nil {
		o := Opinion{About: layout.VolumeName(l.Index), Sector: l.Start}
		o.judge(err)
		return o, true
	}
	v, ok := opened.(*fat.Volume) // the library reads no other kind here
	if !ok {
		return o, false
	}
	return volume(ctx, v, v.Source(), l, opt), true
}

// volume compares what the library reads through view with v.
func volume(ctx context.Context, v *fat.Volume, view io.ReaderAt, l layout.Volume, opt Options) Opinion {
	o := Opinion{About: layout.VolumeName(l.Index), Sector: l.Start}
	folders, all, err := prove(v)
	if err == nil {
		c := comparison{ctx: ctx, v: v, o: &o, opt: opt, store: newStorage(view, v.Source().Size()), parses: maxParses,
			steps: maxSteps}
		err = c.run(folders)
		if spoiled := c.store.spoiled(); spoiled != nil {
			err = spoiled
		}
		o.Why = c.left(all)
	}
	o.judge(err)
	return o
}

// prove shows that the library can be let loose on the volume, and returns
// what it should find there.
func prove(v *fat.Volume) (folders []*folder, all bool, err error) {
	if err := readable(v); err != nil {
		return nil, false, err
	}
	t, err := v.LoadTable(0)
	if err != nil {
		return nil, false, refusef("%v", err)
	}
	if err := tablesReadable(v, t); err != nil {
		return nil, false, err
	}
	if err := sound(v, t); err != nil {
		return nil, false, err
	}
	return gather(v, t)
}

// mount lets the library read the volume as what our reader knows it to be.
func mount(v *fat.Volume, b *storage) (filesystem.FileSystem, error) {
	const asTheBootSectorSays = 0
	size := b.r.Size()
	return guarded(func() (filesystem.FileSystem, error) {
		switch v.Kind {
		case fat.FAT12:
			return fat12.Read(b, size, 0, asTheBootSectorSays)
		case fat.FAT16:
			return fat16.Read(b, size, 0, asTheBootSectorSays)
		}
		return fat32.Read(b, size, 0, asTheBootSectorSays)
	})
}
