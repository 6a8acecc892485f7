package resize

import (
	"fmt"
	"math"

	"bootgraft/image/disk"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// alignment returns where the volume begins and the multiple for cluster 2,
// both in the volume's own sectors; ok is false if that is impossible.
func (j *job) alignment() (base, align int64, ok bool) {
	per := j.v.PerSector
	if j.w.Align == 0 {
		return 0, 0, true
	}
	if j.w.Align < 0 || j.w.Align%per != 0 || j.w.Base%per != 0 {
		return 0, 0, false
	}
	return int64(j.w.Base / per), int64(j.w.Align / per), true
}

// choose decides about the new geometry, or refuses with numbers.
func (j *job) choose() {
	j.new = j.old
	if _, _, ok := j.alignment(); !ok {
		j.refuse(disk.Refusalf(disk.AlignImpossible, disk.NoSector,
			"cluster 2 cannot be put on a multiple of %s: the volume begins at sector %s and counts in units of %s",
			sectors(j.w.Align), disk.Grouped(j.w.Base), sectors(j.v.PerSector)))
		return
	}
	if j.w.Sectors < 0 || j.w.Sectors%j.v.PerSector != 0 {
		j.refuse(disk.Refusalf(disk.SizeNotWhole, disk.NoSector,
			"%s are no size of this volume: it counts in units of %s",
			sectors(j.w.Sectors), sectors(j.v.PerSector)))
		return
	}
	mode := j.w.Mode
	if mode == "" {
		mode = volume.Keep
		if j.v.Sectors > j.w.Room {
			mode = volume.Shrink
		}
	}
	switch mode {
	case volume.Keep:
		j.keep()
	case volume.Shrink:
		j.shrink()
	case volume.Grow:
		j.grow()
	}
}

func (j *job) keep() {
	if j.v.Sectors > j.w.Room {
		j.refuse(disk.Refusalf(disk.VolumeDoesNotFit, j.w.Room,
			"the volume has %s and the room %s. It can shrink to %s, or to %s without moving any file",
			sectors(j.v.Sectors), sectors(j.w.Room), sectors(j.res.Limits.Smallest), sectors(j.res.Limits.SmallestUnmoved)))
		return
	}
	j.smaller(j.old.Total)
}

func (j *job) shrink() {
	want := j.w.Sectors
	switch {
	case want > j.v.Sectors:
		j.refuse(disk.Refusalf(disk.ShrinkNotSmaller, disk.NoSector,
			"%s are more than the %s that the volume has: ask it to grow",
			sectors(want), sectors(j.v.Sectors)))
		return
	case want > j.w.Room:
		j.refuse(disk.Refusalf(disk.VolumeDoesNotFit, j.w.Room, "%s were asked for, and the room has %s", sectors(want),
			sectors(j.w.Room)))
		return
	case want == 0:
		want = min(j.v.Sectors, max(0, j.w.Room-j.w.Reserve))
	}
	j.smaller(int64(want / j.v.PerSector))
}

// smaller takes a size that is not larger than now, and refuses one that does
// not hold what is used.
func (j *job) smaller(total int64) {
	base, align, _ := j.alignment()
	g := j.old
	if !g.Align(base, align) {
		j.refuse(disk.Refusalf(disk.AlignImpossible, disk.NoSector,
			"cluster 2 cannot be put on a multiple of %s: that would take %s, and there can be 65,535",
			sectors(j.w.Align), disk.Counted(g.Reserved, "reserved sector")))
		return
	}
	if g == j.old && total == j.old.Total {
		return
	}
	l := &j.res.Limits
	asked := disk.Sector(total) * j.v.PerSector
	switch {
	case j.cut() && !j.w.Empty:
		j.refuseCut()
		return
	case asked < j.smallestMoved():
		j.refuse(disk.Refusalf(disk.VolumeTooSmall, asked,
			"%s cannot hold the volume: %s in use%s. The smallest size is %s, and %s without moving any file",
			sectors(asked), disk.Counted(j.count.used, "cluster")+" "+disk.IsAre(j.count.used), j.bounds(),
			sectors(l.Smallest), sectors(l.SmallestUnmoved)))
		return
	case asked < l.SmallestUnmoved && j.w.MoveNone:
		j.refuse(disk.Refusalf(disk.MoveNone, asked,
			"no file may move, and with %s some would have to: the smallest size without that is %s",
			sectors(asked), sectors(l.SmallestUnmoved)))
		return
	}
	j.new = g.Sized(total)
}

// bounds says what besides the used clusters sets the smallest size.
func (j *job) bounds() string {
	low, _ := fat.ClusterLimits(j.old.Kind, j.old.Clusters)
	text := ""
	if low > 1 {
		text = fmt.Sprintf(", and %s has at least %s", j.old.Kind.Format(), disk.Grouped(low))
	}
	if p := j.lastPinned(); p != nil {
		text += fmt.Sprintf(", and /%s (cluster %s) must stay where it is, unless --accept %s", p.path,
			disk.Grouped(p.run.End()-1), p.code)
	}
	return text
}

// limit is a limit of growth.
type limit struct {
	total disk.Sector
	name  string
}

// caps lists what limits growth.
func (j *job) caps() []limit {
	out := []limit{{j.w.Room - j.w.Reserve, "the room"}}
	if j.w.Sectors > 0 {
		out[0].total = j.w.Room
	}
	if j.w.Limit > 0 {
		out = append(out, limit{j.w.Limit, "the limit of the device"})
	}
	_, high := fat.ClusterLimits(j.old.Kind, j.old.Clusters)
	name := fmt.Sprintf("the %s that a %s volume can have", disk.Counted(high, "cluster"), j.old.Kind.Format())
	if j.res.Limits.Largest == fat.MaxTotal*j.v.PerSector {
		name = fmt.Sprintf("the field for the size, which has 32 bits (%s)", disk.Grouped(uint32(math.MaxUint32)))
	}
	out = append(out, limit{j.res.Limits.Largest, name})
	if j.cut() && !j.w.Empty {
		out = append(out, limit{j.v.Sectors, "the end of the original, behind which files of it lie"})
	}
	if j.w.MoveNone {
		out = append(out, limit{j.res.Limits.LargestInPlace, "the length of the allocation tables, as no file may move"})
	}
	return out
}

func (j *job) grow() {
	if j.cut() && !j.w.Empty && j.w.Sectors > j.v.Sectors {
		j.refuseCut()
		return
	}
	least := limit{total: math.MaxInt64}
	for _, c := range j.caps() {
		if j.w.Sectors > c.total {
			j.refuse(disk.Refusalf(disk.GrowTooLarge, c.total, "%s were asked for, and %s allows %s", sectors(j.w.Sectors),
				c.name, sectors(c.total)))
		}
		if c.total < least.total {
			least = c
		}
	}
	per := j.v.PerSector
	switch {
	case len(j.refused.Why) > 0:
		return
	case j.w.Sectors > 0:
		j.growTo(j.w.Sectors)
		return
	case least.total < j.v.Sectors:
		j.keep()
	default:
		j.growBelow(&least)
	}
	j.note(disk.Notef(disk.GrowCapped, disk.NoSector,
		"the volume grows to %s and no further: what stops it is %s",
		sectors(disk.Sector(j.new.Total)*per), least.name))
}

// growBelow takes the largest size below a limit, and says in it what else
// limits growth. Longer tables that give no cluster are not made: everything
// would move for nothing.
func (j *job) growBelow(l *limit) {
	per := j.v.PerSector
	base, align, _ := j.alignment()
	g, ok := j.old.Grown(int64(l.total/per), base, align)
	in := j.old.Sized(int64(min(l.total, j.res.Limits.LargestInPlace) / per))
	switch {
	case align == 0 && (!ok || g.Clusters <= in.Clusters && g.Table > in.Table):
		l.name = "that longer allocation tables would cost as many clusters as they give"
		g = in
	case !ok:
		j.refuse(disk.Refusalf(disk.AlignImpossible, disk.NoSector,
			"with %s cluster 2 cannot be put on a multiple of %s without losing clusters",
			sectors(l.total), sectors(j.w.Align)))
	}
	j.new = g
}

// growTo takes an explicit size.
func (j *job) growTo(want disk.Sector) {
	if want < j.v.Sectors {
		j.refuse(disk.Refusalf(disk.GrowNotLarger, disk.NoSector,
			"%s are less than the %s that the volume has: ask it to shrink",
			sectors(want), sectors(j.v.Sectors)))
		return
	}
	base, align, _ := j.alignment()
	per := j.v.PerSector
	g, ok := j.old.Grown(int64(want/per), base, align)
	if !ok {
		j.refuse(disk.Refusalf(disk.GrowCostsClusters, disk.NoSector,
			"with %s the allocation tables would have to be longer by more than the volume wins; "+
				"up to %s they need not be%s",
			sectors(want), sectors(j.res.Limits.LargestInPlace), j.nextSize(want)))
		return
	}
	j.new = g
}

// nextSize names the next larger size that is possible.
func (j *job) nextSize(want disk.Sector) string {
	base, align, _ := j.alignment()
	// 65,536 sectors more, by hand, no source: past the largest cluster and any usual
	// alignment. Where none is found there, none is named.
	for i := int64(1); i < 1<<16; i++ {
		total := int64(want/j.v.PerSector) + i
		if _, ok := j.old.Grown(total, base, align); ok {
			return fmt.Sprintf(", and from %s on it gains", sectors(disk.Sector(total)*j.v.PerSector))
		}
	}
	return ""
}
