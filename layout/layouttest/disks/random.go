package disks

import (
	"fmt"
	"math/rand/v2"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
)

// Random is a disk made from a seed, and what is on it.
type Random struct {
	*imagetest.Disk
	Sectors disk.Sector
	Table   string // mbr, gpt, none
	Bare    bool   // a volume without a table
	Tail    disk.Span
	Stale   bool // GPT copies that nothing names
	Notes   []string

	r    *rand.Rand
	ends disk.Sector // of the last entry
}

// NewRandom makes a disk of 8,192 to 24,575 sectors: a table or none, entries
// with volumes, unknown content, slack or nothing, gaps, and a tail.
func NewRandom(seed int64) *Random {
	r := rand.New(rand.NewPCG(uint64(seed), 3))
	n := disk.Sector(8192 + r.IntN(16384))
	d := &Random{Disk: imagetest.New(n, 512), Sectors: n, r: r}
	switch r.IntN(8) {
	case 0:
		d.Table = "none"
		d.blob(disk.Span{Start: 0, Count: d.count(1, 300)}, "head")
		d.ends = 2000
	case 1:
		d.Table, d.Bare = "none", true
		d.ends = n - d.count(0, 3000)
		FAT(d.Disk, disk.Span{Count: d.ends}, 0, 5000, 70000)
	case 2, 3:
		d.gpt()
	default:
		d.mbr()
	}
	d.after()
	return d
}

func (d *Random) notef(text string, args ...any) {
	d.Notes = append(d.Notes, fmt.Sprintf(text, args...))
}

func (d *Random) String() string {
	return fmt.Sprintf("%d sectors, %s, %s", d.Sectors, d.Table, strings.Join(d.Notes, ", "))
}

// count returns a number of sectors from low to below high.
func (d *Random) count(low, high int) disk.Sector { return disk.Sector(low + d.r.IntN(high-low)) }

func (d *Random) blob(s disk.Span, what string) {
	Noise(d.Disk, s, d.r.Uint64())
	d.notef("%s %s", what, s)
}

// content puts something into an entry.
func (d *Random) content(s disk.Span) {
	switch k := d.r.IntN(5); {
	case k == 0 && s.Count > 10:
		d.blob(disk.Span{Start: s.Start + 1, Count: d.count(1, int(s.Count)/2)}, "unknown content")
	case k == 1:
		d.notef("nothing in %s", s)
	case s.Count > 700:
		v := s
		v.Count -= d.count(0, int(s.Count)-600)
		FAT(d.Disk, v, 0, d.r.IntN(30000))
		d.notef("fat %s in %s", v, s)
		if x := v.End() + d.count(0, 400); d.r.IntN(3) == 0 && x+2 < s.End() {
			d.blob(disk.Span{Start: x, Count: 2}, "slack")
		}
	}
}

// entries cuts a run into up to most entries with gaps, some of them in use.
func (d *Random) entries(s disk.Span, most int) []Entry {
	var out []Entry
	at := s.Start
	for i := range 1 + d.r.IntN(most) {
		gap := disk.Span{Start: at, Count: d.count(0, 200)}
		at = gap.End()
		left := s.End() - at
		if left < 100 {
			break
		}
		if i > 0 && gap.Count > 20 && d.r.IntN(3) == 0 {
			d.blob(disk.Span{Start: gap.Start + 3, Count: 5}, "gap")
		}
		e := Entry{Span: disk.Span{Start: at, Count: d.count(50, int(left))}, Type: 0x0E, Active: i == 0}
		d.content(e.Span)
		out = append(out, e)
		at = e.End()
		d.ends = max(d.ends, at)
	}
	return out
}

func (d *Random) room(front disk.Sector) disk.Span {
	return disk.Between(front, d.Sectors-d.count(100, 4000))
}

func (d *Random) gpt() {
	d.Table = "gpt"
	GPT(d.Disk, d.entries(d.room(34+d.count(0, 100)), 4)...)
}

func (d *Random) mbr() {
	d.Table = "mbr"
	first := d.count(1, 200)
	if first > 10 && d.r.IntN(2) == 0 {
		d.blob(disk.Span{Start: 2, Count: first / 2}, "boot area")
	}
	room := d.room(first)
	if d.r.IntN(2) == 0 {
		MBR(d.Disk, d.entries(room, 3)...)
	} else {
		d.extended(room)
	}
	if d.r.IntN(5) == 0 && first > 40 {
		d.Stale = true
		GPTHeaders(d.Disk, d.Sectors-1, Entry{Span: disk.Span{Start: 40, Count: 100}})
		d.notef("stale gpt")
	}
}

func (d *Random) extended(room disk.Span) {
	half := disk.Span{Start: room.Start, Count: room.Count / 3}
	primaries := d.entries(half, 2)
	box := Entry{Span: disk.Between(half.End(), room.End()), Type: 0x0F}
	gap := d.count(1, 64)
	var logicals []Entry
	at := box.Start
	for range 1 + d.r.IntN(3) {
		if box.End()-at < gap+200 {
			break
		}
		e := Entry{Span: disk.Span{Start: at + gap, Count: d.count(100, int(box.End()-at-gap))}, Type: 0x0B}
		d.content(e.Span)
		logicals = append(logicals, e)
		at = e.End() + d.count(0, 30)
	}
	MBR(d.Disk, append(primaries, box)...)
	Chain(d.Disk, box.Span, gap, logicals...)
	d.notef("container %s with %d logicals", box.Span, len(logicals))
	d.ends = box.End()
}

// after puts a tail behind everything, or blank FF.
func (d *Random) after() {
	end := d.Sectors
	if d.Table == "gpt" || d.Stale {
		end -= 33
	}
	room := end - d.ends
	switch k := d.r.IntN(4); {
	case k == 0 && room > 2:
		d.Put(d.ends, bytesOf(0xFF, int(room/2)*d.SectorSize()))
		d.notef("blank FF after %d", d.ends)
	case k > 1 && room > 140:
		d.Tail = disk.Between(end-d.count(1, int(room)-130), end)
		d.blob(disk.Span{Start: d.Tail.Start, Count: min(d.Tail.Count, d.count(1, 40))}, "tail")
	}
}

func bytesOf(b byte, n int) []byte {
	out := make([]byte, n)
	for i := range out {
		out[i] = b
	}
	return out
}
