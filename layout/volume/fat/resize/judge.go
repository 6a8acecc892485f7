package resize

import (
	"cmp"
	"errors"
	"fmt"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// maxListed is how many problems of one kind are named: by hand, no source; all are
// counted.
const maxListed = 8

// judge asks about, or refuses, what makes it unsafe to change the volume.
// Nothing is repaired. A volume that stays as it is needs no health, and one
// that becomes empty keeps nothing that could be harmed.
func (j *job) judge(h *fat.Health) {
	if j.resized() {
		j.askRest()
	}
	if j.w.Empty {
		return
	}
	if j.cut() && (j.changes() || !j.copyFree()) {
		j.refuseCut()
	}
	if !j.resized() {
		return
	}
	if h == nil {
		h = j.v.Check(j.t)
	}
	for _, d := range h.Doubts {
		f := d.Finding
		if d.Then == "" {
			j.note(f)
			continue
		}
		f.Text = fmt.Sprintf("%s. Its size is to change: %s", f.Text, d.Then)
		j.ask(f)
	}
	j.problems(h)
	if j.new.Clusters > j.old.Clusters {
		j.strayLinks()
	}
}

// cut tells whether the original ends before the last cluster in use: then the
// volume can only be copied as it is, for nobody has what a move would move.
func (j *job) cut() bool { return j.count.last >= j.firstBeyond() }

// firstBeyond returns the first cluster that the original does not have whole.
func (j *job) firstBeyond() uint32 {
	have := max(0, j.whole()-j.from.Data) / j.from.Cluster
	return uint32(min(have, disk.Sector(j.old.Clusters))) + 2
}

// refuseCut refuses a change of a volume whose files lie behind the end of the
// original.
func (j *job) refuseCut() {
	j.refuse(disk.Refusalf(disk.FATCutOff, j.whole(),
		"cluster %s is in use, and the original ends before it: the volume can only be copied as it is, "+
			"with all its %s and its free clusters",
		disk.Grouped(j.count.last), sectors(j.from.Total)))
}

// maxRest is how many sectors behind the last cluster are read. Usually they are
// fewer than a cluster; where the tables are too short for the volume there may
// be millions. By hand, no source: behind these
// the owner is asked, as if it were in use.
const maxRest = 4096

// askRest asks about what lies between the last whole cluster and the end of the
// volume: no table calls it free, and a change of the size does not copy it.
func (j *job) askRest() {
	rest := disk.Between(j.from.Clusters(2, j.old.Clusters).End(), j.whole())
	for x := rest.Start; x < rest.End(); x++ {
		b, err := image.ReadSector(j.v.Source(), x)
		if x-rest.Start == maxRest {
			j.askBehind(x, "not looked at")
			return
		}
		what := "in use"
		var unknown *image.UnknownError
		switch {
		case errors.As(err, &unknown) && j.w.Empty:
			continue // it goes with the files, which nobody knows either
		case errors.As(err, &unknown):
			what = "not known"
		case err == nil && zero(b):
			continue
		}
		j.askBehind(x, what)
		return
	}
}

// askBehind asks about a sector behind the last cluster.
func (j *job) askBehind(x disk.Sector, what string) {
	j.ask(disk.Refusalf(disk.VolumeRestInUse, x,
		"sector %s of the volume lies behind its last cluster, where no file can be, and is %s; "+
			"it does not arrive on a card on which the size of the volume changes",
		disk.Grouped(x), what))
}

// problems lists what is wrong, each kind by its code. Where nothing moves and
// all free clusters are copied even a broken chain can be carried, if that is
// accepted.
func (j *job) problems(h *fat.Health) {
	still := j.count.last <= j.new.Clusters+1 && j.copyFree()
	named := map[disk.Code]int{}
	for i := range h.Problems {
		p := &h.Problems[i]
		if named[p.Code]++; named[p.Code] > maxListed {
			continue
		}
		text := fmt.Sprintf("%s: %s", cmp.Or(p.Path, "the volume"), p.Text)
		switch at := j.place(p.Cluster); {
		case !p.Unsafe:
			j.note(disk.Notef(p.Code, at, "%s", text))
		case still || p.OwnOnly:
			j.ask(disk.Refusalf(p.Code, at, "%s. It would be copied as it is", text))
		default:
			j.refuse(disk.Refusalf(p.Code, at,
				"%s. Clusters cannot be moved or left out while this lasts: let a system that knows FAT repair a "+
					"copy of the original first",
				text))
		}
	}
	if more := h.Total - len(h.Problems); more > 0 {
		j.note(disk.Notef(disk.FATMoreFindings, disk.NoSector, "%d more problems of the volume are not listed", more))
	}
}

func (j *job) place(c uint32) disk.Sector {
	if c < 2 || c > j.old.Clusters+1 {
		return disk.NoSector
	}
	return j.from.Clusters(c, 1).Start
}

// strayLinks refuses entries that name a cluster which does not exist now and
// would after growing.
func (j *job) strayLinks() {
	for c := uint32(2); c <= j.old.Clusters+1; c++ {
		e := j.entries[c] & j.old.Kind.Mask()
		if e > j.old.Clusters+1 && e <= j.new.Clusters+1 {
			j.refuse(disk.Refusalf(disk.FATChainOutside, j.place(c),
				"the table entry of cluster %s names cluster %s, which does not exist now and would in the larger "+
					"volume",
				disk.Grouped(c), disk.Grouped(e)))
			return
		}
	}
}

// copyFree tells whether free clusters are carried.
func (j *job) copyFree() bool {
	switch {
	case j.w.Empty:
		return false
	case j.w.Free == "":
		return !j.resized()
	}
	return j.w.Free == volume.FreeCopy
}
