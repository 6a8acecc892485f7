package resize

import (
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// resizable is a FAT volume as volume.Resizable.
type resizable struct{ *fat.Volume }

// Of returns a FAT volume as one that can get another size.
func Of(v *fat.Volume) volume.Resizable { return resizable{v} }

// Size implements volume.Resizable.
func (v resizable) Size() disk.Sector { return v.Sectors }

// Resize implements volume.Resizable, by the table that counts.
func (v resizable) Resize(w volume.Wishes) (*volume.Resized, error) {
	t, err := v.ActiveTable()
	var cut *disk.FormatError
	if errors.As(err, &cut) {
		return nil, &volume.Refused{Why: []disk.Finding{disk.Refusalf(disk.FATTableMissing, image.Sectors(v.Source()),
			"the disk ends before the allocation table, so nobody can say which clusters are free: the volume can only be "+
				"copied as it is")}}
	}
	if err != nil {
		return nil, fmt.Errorf("reading the allocation table: %w", err)
	}
	r, err := Plan(v.Volume, t, nil, w)
	if err != nil {
		return nil, err
	}
	return &volume.Resized{Sectors: r.Sectors, Findings: r.Findings, Meaning: r.Meaning, Emptied: r.Emptied, Pieces: r},
		nil
}

// mostClusters is how many clusters a FAT volume of each type can have (FG, "FAT
// Type Determination"; 268,435,445 of FAT32 by KB 314463).
var mostClusters = map[fat.Kind]disk.Sector{fat.FAT12: 4084, fat.FAT16: 65524, fat.FAT32: 268435445}

// Wall implements volume.Resizable: the type of a FAT volume bounds its clusters.
func (v resizable) Wall(room disk.Sector) *disk.Finding {
	clusters := mostClusters[v.Kind]
	most := v.Data + (clusters+1)*v.ClusterSectors - 1
	if room <= most {
		return nil
	}
	f := disk.Notef(disk.WallFATType, 0,
		"a %s volume has at most %s clusters, here of %s: of the %s that the card has for it, it can use about %s",
		v.Kind.Format(), disk.Grouped(clusters), sectors(v.ClusterSectors), sectors(room), sectors(most))
	return &f
}

// InUse implements volume.Resizable: everything before the first cluster, and every
// cluster that is neither free nor marked bad.
func (v resizable) InUse(use func(disk.Span)) error {
	t, err := v.ActiveTable()
	if err != nil {
		return fmt.Errorf("reading the allocation table: %w", err)
	}
	run := disk.Span{Count: v.Cluster(2).Start}
	for c := uint32(2); c <= t.Clusters+1; c++ {
		e := t.Entries[c] & v.Kind.Mask()
		if e == 0 || e == v.Kind.Bad() {
			continue
		}
		s := v.Cluster(c)
		if s.Start == run.End() {
			run.Count += s.Count
			continue
		}
		use(run)
		run = s
	}
	use(run)
	return nil
}
