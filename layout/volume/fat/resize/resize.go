package resize

import (
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// Result is a planned volume.
type Result struct {
	Sectors disk.Sector // its size on the card
	Limits  volume.Limits

	MovedClusters uint32
	MovedFiles    int         // and directories
	Shifted       bool        // the data area as a whole has another place
	Skipped       disk.Sector // free sectors that are not carried
	LostDeleted   int         // deleted entries whose content is not carried

	Findings []disk.Finding
	Meaning  disk.Spans // sectors of the volume that were interpreted
	Emptied  disk.Span  // those of them that are not made new again: the root directory that was emptied

	job    *job
	tape   *tape      // what Emit will hand on, if it is made already
	copied disk.Spans // what it copies of the original; nil if nobody asked yet
}

// Changed tells whether anything but a copy of the whole volume is planned.
func (r *Result) Changed() bool { return r.job.changes() || r.Skipped > 0 }

// job is one planning run.
type job struct {
	v        *fat.Volume
	t        *fat.Table
	w        volume.Wishes
	entries  []uint32 // of the table; of an emptied volume those it will have
	size     int64    // bytes of a sector of the source
	old, new fat.Geometry
	from, to fat.Parts // of both in sectors of the source

	held  []keptFile // of an emptied volume
	pins  []pin
	moves moves
	refs  []ref
	count census
	gaps  gapRule
	boot  []bootPatch
	dead  []uint32 // first clusters of deleted entries, in order

	res     Result
	refused volume.Refused
}

// Plan plans a volume. t is its active table and h the health of the volume
// by it; a nil h is found out. The error is a *Refused, or a failed read.
func Plan(v *fat.Volume, t *fat.Table, h *fat.Health, w volume.Wishes) (*Result, error) {
	j := &job{v: v, t: t, w: withDefaults(w, v.Sectors), entries: t.Entries, size: int64(v.Source().SectorSize()),
		old: v.Geometry(t)}
	j.from = j.old.Parts(v.PerSector)
	if j.w.Empty {
		j.empty()
		j.keepFiles()
	}
	if err := j.plan(h); err != nil {
		return nil, err
	}
	if len(j.refused.Why)+len(j.refused.Need) > 0 {
		j.refused.Limits, j.refused.Sectors = j.res.Limits, j.res.Sectors
		return nil, &j.refused
	}
	j.res.job = j
	return &j.res, nil
}

func (j *job) plan(h *fat.Health) error {
	if len(j.t.Unknown) > 0 && !j.w.Empty || j.t.Clusters < j.v.Clusters {
		j.refuse(disk.Refusalf(disk.FATTableMissing, j.from.Tables[j.v.Active].Start,
			"parts of the allocation table are not known, so nobody can say which clusters are free"))
		return nil
	}
	j.countClusters()
	j.findPins()
	j.setLimits()
	j.choose()
	if len(j.refused.Why) > 0 {
		return nil
	}
	j.to = j.new.Parts(j.v.PerSector)
	j.res.Sectors = j.to.Total
	j.res.Shifted = j.to.Data != j.from.Data
	// Before anything is planned, and everything at once: a person accepts all in one go.
	j.judge(h)
	j.checkPins()
	if len(j.refused.Why)+len(j.refused.Need) > 0 {
		return nil
	}
	j.moveClusters()
	j.checkSystem()
	j.gather()
	j.chooseGaps()
	j.countLost()
	j.report()
	// Last: the root directory of FAT32 may have moved, and boot sectors name its cluster.
	return j.renderBoot()
}

// changes tells whether the volume gets another size, place or table.
func (j *job) changes() bool {
	return j.old != j.new || j.w.Empty || j.w.BadMarks == volume.BadClear && j.count.bad > 0 || j.w.Hidden != nil ||
		j.w.Geometry != nil
}

// resized tells whether clusters come, go or move.
func (j *job) resized() bool { return j.old != j.new }

func (j *job) note(f disk.Finding) { j.res.Findings = append(j.res.Findings, f) }

func (j *job) refuse(f disk.Finding) { j.refused.Why = append(j.refused.Why, f) }

// ask notes what goes on only if its owner accepts it by code.
func (j *job) ask(f disk.Finding) {
	f.Severity = disk.Refusal
	if f.Accepted = j.w.Accept(f.Code); f.Accepted {
		j.note(f)
		return
	}
	j.refused.Need = append(j.refused.Need, f)
}

// whole is how many sectors of the volume the source really has.
func (j *job) whole() disk.Sector { return min(j.from.Total, image.Sectors(j.v.Source())) }

// sectors writes a count for a person.
func sectors(n disk.Sector) string { return disk.Counted(n, "sector") }

// maxPieces is how many pieces a plan should have at most: by hand, no source. They
// take 8 MiB of memory, 32 bytes each.
const maxPieces = 262144

// withDefaults fills in what was not asked for a volume of v sectors.
func withDefaults(w volume.Wishes, v disk.Sector) volume.Wishes {
	if w.Room == 0 {
		w.Room = v
	}
	if w.Slack == "" {
		w.Slack = volume.SlackMark
	}
	if w.BadMarks == "" {
		w.BadMarks = volume.BadKeep
	}
	if w.MaxPieces == 0 {
		w.MaxPieces = maxPieces
	}
	if w.Accept == nil {
		w.Accept = func(disk.Code) bool { return false }
	}
	return w
}
