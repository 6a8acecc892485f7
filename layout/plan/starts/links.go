package starts

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/scan/link"
)

func (j *judge) sortPieces() {
	j.shifts = []disk.Sector{0, j.plan.Target.Sectors - j.plan.Source.Sectors}
	for _, q := range j.plan.Pieces {
		if q.Op != layout.Copy {
			continue
		}
		j.by = append(j.by, copied{disk.Span{Start: q.From, Count: q.Count}, q.Start})
		if q.Why == layout.WhyTailMoved || q.Why == layout.WhyTailKept {
			j.shifts = append(j.shifts, q.Start-q.From)
		}
	}
	slices.Sort(j.shifts)
	j.shifts = slices.Compact(j.shifts)
	slices.SortFunc(j.by, func(a, b copied) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.to, b.to))
	})
}

// went returns where a source sector is copied to on the card, at most a few places.
func (j *judge) went(x disk.Sector) (out []disk.Sector) {
	i := sort.Search(len(j.by), func(i int) bool { return j.by[i].Start > x })
	// Pieces from one source sector overlap only where the tail is kept twice.
	for back := 0; i > 0 && back < 4 && len(out) < 4; back++ {
		if i--; j.by[i].Holds(x) {
			out = append(out, x-j.by[i].Start+j.by[i].to)
		}
	}
	if len(out) == 0 {
		out = j.remade(x)
	}
	slices.Sort(out)
	return out
}

// remade returns where on the card a source sector lies that rules have changed: its
// place counted from the start or the end of the disk, or among a tail that was copied.
// Rules make numbers new, and leave the sector what it was.
func (j *judge) remade(x disk.Sector) (out []disk.Sector) {
	for _, shift := range j.shifts {
		if q := j.plan.Lookup(x + shift); q != nil && q.Op == layout.Render && q.Why == layout.WhyRule {
			out = append(out, x+shift)
		}
	}
	return out
}

// holder returns where on the card the code lies that was at sector x: copied, or
// made new in its place: sector 0, the boot sectors of a volume, a sector that rules
// changed.
func (j *judge) holder(x disk.Sector) (disk.Sector, bool) {
	if q := j.plan.Lookup(x); q != nil && (q.Op == layout.Copy && q.From == q.Start ||
		q.Op == layout.Render && q.Why != layout.WhyVolumeMoved) {
		return x, true
	}
	if to := j.went(x); len(to) > 0 {
		return to[0], true
	}
	return 0, false
}

// links judges every link.
func (j *judge) links() error {
	for i := range j.found.Links {
		if err := j.ctx.Err(); err != nil {
			return err
		}
		v, err := j.link(&j.found.Links[i])
		if err != nil {
			return err
		}
		j.out.Links = append(j.out.Links, v)
	}
	j.doubleReadings()
	for i := range j.found.Weak {
		v, err := j.link(&j.found.Weak[i])
		if err != nil {
			return err
		}
		if v.State == Broken {
			j.weak = append(j.weak, v)
		}
	}
	return nil
}

// doubleReadings turns a broken link into one that is not sure where the same bytes
// read in another way name a place that is where it was: nobody knows which is meant.
func (j *judge) doubleReadings() {
	for i := range j.out.Links {
		a := &j.out.Links[i]
		if a.State != Broken || a.Form != "" {
			continue
		}
		for k := range j.out.Links {
			b := &j.out.Links[k]
			// one that is ten times as likely by chance takes nothing from the other: by hand, no source
			if k != i && b.State == Holds && b.At == a.At && b.Byte < a.Byte+a.Width && a.Byte < b.Byte+b.Width &&
				b.ByChance <= 10*a.ByChance {
				a.State = Unsure
				a.Why += fmt.Sprintf("; the same bytes may mean %s, which is where it was", b.Target.Name)
				break
			}
		}
	}
}

func (j *judge) link(l *link.Link) (Verdict, error) {
	v := Verdict{Link: *l, Now: -1, Went: -1, State: Unsure}
	if l.Lost != "" {
		v.Why = l.Lost
		return v, nil
	}
	held, ok := j.holder(l.At)
	if !ok {
		v.Why = "its holder is not on the card"
		return v, nil
	}
	unit, ok := j.unit(l.Unit)
	if !ok {
		v.State, v.Why = Broken, fmt.Sprintf("what it counts from, %s, is not on the card", unitName(l.Unit))
		return v, nil
	}
	b := make([]byte, l.Width)
	switch err := image.ReadFull(j.card.Known(), b, int64(held)*int64(j.size)+int64(l.Byte)); {
	case isUnknown(err):
		v.Why = fmt.Sprintf("sector %s of the card, which holds it, is not known", disk.Grouped(held))
		return v, nil
	case err != nil:
		return v, err
	}
	if v.Now, ok = l.Sector(b, unit); !ok {
		v.State, v.Why = Broken, "its bytes are none such on the card"
		return v, nil
	}
	err := j.compare(&v)
	if v.State == Broken && v.Target.Kind != link.File {
		// Headers hold the size of their drive at least as often as a place at its very end.
		switch {
		case v.Target.Start == j.m.Sectors-1:
			v.State = Unsure
			v.Why += "; but it is the last sector of the drive, and the number may be its size"
		case j.byRule(held, &v):
			v.State = Unsure
			v.Why += "; but a rule that originals prove has made the number new, and it may be a size"
		}
	}
	return v, err
}

// byRule tells whether rules gave the number of a link another value on the card.
func (j *judge) byRule(held disk.Sector, v *Verdict) bool {
	q := j.plan.Lookup(held)
	return q != nil && q.Op == layout.Render && q.Why == layout.WhyRule && v.Now != v.Target.Start
}

func unitName(u link.Unit) string { return fmt.Sprintf("entry %d", u.Volume) }

// isUnknown tells whether a read failed because bytes are not known.
func isUnknown(err error) bool {
	var u *image.UnknownError
	return errors.As(err, &u)
}

// unit returns what a number counts on the card: from where entries and clusters lie there.
func (j *judge) unit(u link.Unit) (link.Unit, bool) {
	switch u.Counts {
	case link.FromEntry:
		if e := j.now.Entry(u.Volume); e != nil {
			u.Base = e.Start
			return u, true
		}
		v := j.now.Volume(u.Volume)
		if v != nil {
			u.Base = v.Start
		}
		return u, v != nil
	case link.InClusters:
		v := j.now.Volume(u.Volume)
		if v == nil || v.ClusterBytes < int64(j.size) {
			return u, false
		}
		u.Sectors, u.Base = v.ClusterBytes/int64(j.size), v.Start
		if data := v.PartsOf(layout.PartData); strings.HasPrefix(v.Kind, "fat") && len(data) > 0 {
			u.Base = data[0].Start - 2*disk.Sector(u.Sectors)
		}
	}
	return u, true
}

// compare wants at the place that a link names on the card what its old target was.
func (j *judge) compare(v *Verdict) error {
	t := v.Target
	if to := j.went(t.Start); len(to) > 0 {
		v.Went = to[0]
		if slices.Contains(to, v.Now) {
			v.Went = v.Now
		}
	}
	if !(disk.Span{Count: j.plan.Target.Sectors}).Covers(disk.Span{Start: v.Now, Count: t.Count}) {
		end := "the card"
		if j.partly {
			end = "what the device sees of the card"
		}
		v.State, v.Why = Broken, fmt.Sprintf("sector %s is past the end of %s", disk.Grouped(v.Now), end)
		return nil
	}
	if j.sameStructure(v) {
		v.State, v.Why = Holds, "the same structure, made new"
		return nil
	}
	at, state, err := j.sameBytes(t.Span, v.Now)
	if err != nil {
		return err
	}
	v.State = state
	switch {
	case state == Unsure:
		v.Why = fmt.Sprintf("sector %s is not known", disk.Grouped(at))
	case state == Broken && v.Went >= 0 && v.Went != v.Now:
		v.Why = fmt.Sprintf("on the card %s lies at sector %s, and the number names sector %s", t.Name, disk.Grouped(v.Went),
			disk.Grouped(v.Now))
	case state == Broken && v.Went < 0:
		v.Why = fmt.Sprintf("%s is not on the card", t.Name)
	case state == Broken:
		v.Why = fmt.Sprintf("sector %s of the card is not what followed there on the original", disk.Grouped(at))
	}
	return nil
}

// sameStructure tells whether a link names a boot sector or a table, and on the card
// the same one, made new.
func (j *judge) sameStructure(v *Verdict) bool {
	t := v.Target
	for _, old := range j.m.Volumes {
		now := j.now.Volume(old.Index)
		if now == nil || !old.Holds(t.Start) {
			continue
		}
		if t.Start == old.Start && v.Now == now.Start && now.Kind == old.Kind {
			return true
		}
		for _, role := range []layout.PartRole{layout.PartBoot, layout.PartTable} {
			a, b := old.PartsOf(role), now.PartsOf(role)
			for i := range a {
				if i < len(b) && a[i].Holds(t.Start) && t.Count == 1 && v.Now-b[i].Start == t.Start-a[i].Start &&
					b[i].Holds(v.Now) {
					return true
				}
			}
		}
	}
	for _, old := range j.m.Tables {
		for _, now := range j.now.Tables {
			if old.Kind == now.Kind && old.State == layout.InForce && now.State == layout.InForce && t.Count == 1 &&
				old.Own.Holds(t.Start) && now.Own.Holds(v.Now) && (t.Start == v.Now || j.m.Sectors-t.Start == j.now.Sectors-v.Now) {
				return true
			}
		}
	}
	return false
}

// compared is how many bytes of what is not copied are compared at a time.
const compared = 1 << 20

// maxCompared bounds how much of a target is compared byte by byte. What is copied in one
// piece needs no reading. By hand, no source.
const maxCompared = 256 << 20

// sameBytes compares sectors of the original with as many on the card; those in which
// rules made numbers new count as the same. at is the first one that differs, or that is
// not known, on the card.
func (j *judge) sameBytes(old disk.Span, now disk.Sector) (at disk.Sector, state State, err error) {
	read := int64(0)
	for done := disk.Sector(0); done < old.Count; {
		q := j.plan.Lookup(now + done)
		if q == nil || q.Op == layout.Leave { // these sectors stay as the card has them
			return now + done, Broken, nil
		}
		n := min(old.Count-done, q.End()-(now+done))
		if q.Op == layout.Copy && q.From+(now+done-q.Start) == old.Start+done {
			if unknown := image.Unknown(j.src, disk.Span{Start: old.Start + done, Count: n}); len(unknown) > 0 {
				return now + unknown[0].Start - old.Start, Unsure, nil
			}
			done += n
			continue
		}
		if slices.Contains(j.remade(old.Start+done), now+done) {
			done++
			continue
		}
		n = min(n, compared/disk.Sector(j.size))
		if read += int64(n) * int64(j.size); read > maxCompared {
			return now + done, Broken, nil
		}
		a, errA := image.ReadSectors(j.src, disk.Span{Start: old.Start + done, Count: n})
		b, errB := image.ReadSectors(j.card.Known(), disk.Span{Start: now + done, Count: n})
		switch {
		case isUnknown(errA), isUnknown(errB):
			return now + done, Unsure, nil
		case errA != nil || errB != nil:
			return now + done, Unsure, cmp.Or(errA, errB)
		case !bytes.Equal(a, b):
			return now + done, Broken, nil
		}
		done += n
	}
	return 0, Holds, nil
}
