package resize

import (
	"bootgraft/image/disk"
)

// report notes what was decided, for the owner.
func (j *job) report() {
	r := &j.res
	if j.new.total != j.old.total {
		j.note(disk.Notef(disk.VolumeResized, 0, "the volume gets %s instead of %s, and %d clusters instead of %d; %d of them, of %d files and directories, find a new place. It could have %s at least, %s without moving a file",
			sectors(r.Sectors), sectors(j.from.total), j.new.clusters, j.old.clusters, r.MovedClusters, r.MovedFiles, sectors(r.Limits.Smallest), sectors(r.Limits.SmallestUnmoved)))
	}
	if r.Shifted {
		j.note(disk.Warningf(disk.DataAreaShifted, j.to.data, "cluster 2 lies in sector %d of the volume instead of %d: a boot loader that finds its files by sector numbers must be installed again", j.to.data, j.from.data))
	}
	if j.new.reserved != j.old.reserved {
		j.note(disk.Warningf(disk.ReservedChanged, 0, "%s lie before the allocation tables instead of %s, to put cluster 2 on a multiple of %s: firmware that counts on the usual number does not find the tables",
			sectors(j.to.reserved.Count), sectors(j.from.reserved.Count), sectors(j.w.Align)))
	}
	if j.count.bad > 0 && j.w.BadMarks == BadClear {
		j.note(disk.Notef(disk.BadMarksCleared, disk.NoSector, "the marks of %d bad clusters are taken away, as asked: they belonged to the old surface", j.count.bad))
	} else if j.count.bad > 0 && j.changes() {
		j.note(disk.Notef(disk.BadMarksKept, disk.NoSector, "%d clusters stay marked as bad; those marks belong to the old surface, and --bad-marks clear takes them away", j.count.bad))
	}
	if r.Skipped > 0 && !j.w.Empty {
		j.note(disk.Notef(disk.FreeSkipped, disk.NoSector, "%s that no file uses are not carried; %d deleted files lose what could still be read of them. --free copy carries them", sectors(r.Skipped), r.LostDeleted))
	}
	if j.w.Hidden != nil && *j.w.Hidden != j.v.BPB.Hidden {
		j.note(disk.Notef(disk.HiddenChanged, 0, "the number of sectors before the volume becomes %d instead of %d in its boot sectors", *j.w.Hidden, j.v.BPB.Hidden))
	}
	if g := j.w.Geometry; g != nil {
		j.note(disk.Warningf(disk.GeometryChanged, 0, "the geometry in the boot sectors of the volume becomes %d heads and %d sectors instead of %d and %d: boot code that uses it starts only where the machine counts alike",
			g.Heads, g.SectorsPerTrack, j.v.BPB.Heads, j.v.BPB.SectorsPerTrack))
	}
}
