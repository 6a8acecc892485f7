package page

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/safety/blockdev"
)

// maxMounts is how many folders are named in the list for a person.
const maxMounts = 6

// Disks writes the disks of a machine: a table, and below each line what else must be
// known of that disk.
func Disks(u *talk.UI, all []blockdev.Disk, now time.Time) {
	width := 14
	for _, d := range all {
		width = max(width, len(d.Node))
	}
	u.Answerf("%-*s %17s %10s  %-8s  %s\n", width, "disk", "sectors", "GB", "attached", "what it calls itself")
	for _, d := range all {
		diskLine(u, d, width, now)
	}
}

func diskLine(u *talk.UI, d blockdev.Disk, width int, now time.Time) {
	sectors, size := "not told", "-"
	if d.Sectors > 0 {
		sectors, size = disk.Grouped(d.Sectors), fmt.Sprintf("%.2f", float64(d.Bytes())/1e9)
	}
	u.Wrapped(fmt.Sprintf("%-*s %17s %10s  %-8s  ", width, d.Node, sectors, size, attachedText(d.Identity.Bus)),
		nameText(d.Identity))
	if len(d.System) > 0 {
		u.Wrapped("    SYSTEM  ", "the running system stands on it: "+systemText(d.System))
	}
	if n := len(d.Mounts); n > 0 {
		text := "mounted on " + strings.Join(d.Mounts[:min(n, maxMounts)], ", ")
		if n > maxMounts {
			text += fmt.Sprintf(" and %d more", n-maxMounts)
		}
		u.Wrapped("    ", text)
	}
	var more []string
	if d.SectorSize != 512 {
		more = append(more, fmt.Sprintf("sectors of %d bytes", d.SectorSize))
	}
	if d.Identity.Removable {
		more = append(more, "removable")
	}
	if d.ReadOnly {
		more = append(more, "read-only")
	}
	if d.Offline {
		more = append(more, "offline: Windows mounts nothing from it")
	}
	if !d.Since.IsZero() {
		more = append(more, "here since "+sinceText(d.Since, now))
	}
	if len(more) > 0 {
		u.Wrapped("    ", strings.Join(more, ", "))
	}
}

// attachedText is how a disk is attached.
func attachedText(bus string) string { return cmp.Or(bus, "-") }

// nameText is what a disk says of itself.
func nameText(id image.Identity) string {
	switch {
	case id.Model == "" && id.Serial == "":
		return "nothing"
	case id.Serial == "":
		return id.Model + ", no serial number"
	case id.Model == "":
		return "serial " + id.Serial
	}
	return id.Model + ", serial " + id.Serial
}

// sinceText names a moment as closely as a person needs it to tell what was
// plugged in just now.
func sinceText(t, now time.Time) string {
	t = t.In(now.Location())
	text := t.Format("15:04")
	if t.YearDay() != now.YearDay() || t.Year() != now.Year() {
		text = t.Format("2 January 2006, 15:04")
	}
	switch ago := now.Sub(t); {
	case ago < 0 || ago >= time.Hour:
		return text
	case ago < time.Minute:
		return text + " (" + disk.Counted(int64(ago.Seconds()), "second") + " ago)"
	default:
		return text + " (" + disk.Counted(int64(ago.Minutes()), "minute") + " ago)"
	}
}

// systemText names what of the running system stands on a disk.
func systemText(paths []string) string {
	return strings.ReplaceAll(strings.Join(paths, ", "), "/proc/self/exe", "this program")
}

// NextPlan says how a card of this size is planned.
func NextPlan(u *talk.UI, n disk.Sector, sectorSize int) {
	u.Next("To plan for a card of exactly this size:", PlanLine(n, sectorSize))
}

// PlanLine is what to type to plan for a card of this size.
func PlanLine(n disk.Sector, sectorSize int) string {
	line := fmt.Sprintf("bootgraft plan old.img --size %ds -o card.plan", n)
	if sectorSize != 512 {
		line += fmt.Sprintf(" --sector-size %d", sectorSize)
	}
	return line
}

// IdentityText is everything that a disk says of itself.
func IdentityText(id image.Identity) string {
	parts := slices.DeleteFunc([]string{id.Model, id.Serial, id.Bus}, func(s string) bool { return s == "" })
	if len(parts) == 0 {
		return saysNothing
	}
	return strings.Join(parts, ", ")
}

const saysNothing = "it says nothing of itself"
