package resize

import (
	"bootgraft/image/disk"
	"bootgraft/layout/volume"
)

// report notes what was decided, for the owner.
func (j *job) report() {
	r := &j.res
	if j.new.Total != j.old.Total {
		j.note(disk.Notef(disk.VolumeResized, 0,
			"the volume gets %s instead of %s, and %s instead of %s; %s of them, of %s, find a new place. "+
				"It could have %s at least, %s without moving a file",
			sectors(r.Sectors), sectors(j.from.Total), disk.Counted(j.new.Clusters, "cluster"), disk.Grouped(j.old.Clusters),
			disk.Grouped(r.MovedClusters), filesAndFolders(r.MovedFiles), sectors(r.Limits.Smallest),
			sectors(r.Limits.SmallestUnmoved)))
	}
	if r.Shifted {
		j.note(disk.Warningf(disk.DataAreaShifted, j.to.Data,
			"cluster 2 lies in sector %s of the volume instead of %s: a boot loader that finds its files by sector "+
				"numbers must be installed again",
			disk.Grouped(j.to.Data), disk.Grouped(j.from.Data)))
	}
	if j.new.Reserved != j.old.Reserved {
		j.note(disk.Warningf(disk.ReservedChanged, 0,
			"there are %s before the allocation tables instead of %s, to put cluster 2 on a multiple of %s: "+
				"firmware that counts on the usual number does not find the tables",
			sectors(j.to.Reserved.Count), sectors(j.from.Reserved.Count), sectors(j.w.Align)))
	}
	if j.count.bad > 0 && j.w.BadMarks == volume.BadClear {
		j.note(disk.Notef(disk.BadMarksCleared, disk.NoSector,
			"the marks of %s are taken away, as asked: they belonged to the old surface",
			disk.Counted(j.count.bad, "bad cluster")))
	} else if j.count.bad > 0 && j.changes() {
		j.note(disk.Notef(disk.BadMarksKept, disk.NoSector,
			"%s marked as bad; those marks belong to the old surface, and --bad-marks clear takes them away",
			staying(j.count.bad)))
	}
	if r.Skipped > 0 && !j.w.Empty {
		j.note(disk.Notef(disk.FreeSkipped, disk.NoSector,
			"left behind: %s that no file uses, and with them what could still be read of %s. "+
				"--free copy copies them",
			sectors(r.Skipped), disk.Counted(r.LostDeleted, "deleted file")))
	}
	if j.w.Hidden != nil && *j.w.Hidden != j.v.BPB.Hidden {
		j.note(disk.Notef(disk.HiddenChanged, 0,
			"the number of sectors before the volume becomes %s instead of %s in its boot sectors",
			disk.Grouped(*j.w.Hidden), disk.Grouped(j.v.BPB.Hidden)))
	}
	if g := j.w.Geometry; g != nil {
		j.note(disk.Warningf(disk.GeometryChanged, 0,
			"the geometry in the boot sectors of the volume becomes %d heads and %d sectors instead of %d and %d: "+
				"boot code that uses it starts only where the machine counts alike",
			g.Heads, g.SectorsPerTrack, j.v.BPB.Heads, j.v.BPB.SectorsPerTrack))
	}
}

// filesAndFolders counts what lies in clusters.
func filesAndFolders(n int) string {
	if n == 1 {
		return "1 file or directory"
	}
	return disk.Grouped(n) + " files and directories"
}

// staying counts clusters, with the verb.
func staying(n uint32) string {
	if n == 1 {
		return "1 cluster stays"
	}
	return disk.Counted(n, "cluster") + " stay"
}
