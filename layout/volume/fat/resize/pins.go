package resize

import (
	"bytes"
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/volume"
	"bootgraft/layout/volume/fat"
)

// pin is something that is found by its place.
type pin struct {
	run      fat.Run
	path     string
	code     disk.Code
	bySector bool // found by sectors; else by clusters, which may shift as one
	why      string
}

// maxCode is how many bytes of boot code are searched: by hand, no source. The boot
// area of FAT32 is 32 sectors, 16 KiB, nearly everywhere.
const maxCode = 64 << 10

// findPins finds what must stay: the files of this volume that the owner names, those whose
// names stand in the boot code, and those that it finds by their sectors.
func (j *job) findPins() {
	if j.w.Empty {
		j.pinKept()
		return
	}
	names := bytes.Join(j.bootCode(), []byte{0})
	want := map[string]bool{}
	for _, p := range j.w.Pins {
		want[pinName(p)] = true
	}
	linked := map[string][]volume.Linked{}
	for _, l := range j.w.Links {
		linked[pinName(l.Path)] = append(linked[pinName(l.Path)], l)
	}
	j.v.Visit(j.t, fat.Visitor{File: func(f *fat.File) {
		name := pinName(f.Path)
		if !f.Dir && f.First != 0 {
			for _, l := range linked[name] {
				j.pin(f.Chain.Runs, f.Path, disk.LoaderFileMoves, !l.ByCluster, l.Why)
			}
			if !strings.Contains(f.Path, "/") && bytes.Contains(names, f.Raw[:11]) {
				j.pin(f.Chain.Runs, f.Path, disk.SystemFileMoves, false, "boot code looks for it by name")
			}
		}
		if want[name] {
			j.pin(f.Chain.Runs, f.Path, disk.PinMoves, true, "you asked for that")
		}
	}})
}

func pinName(path string) string { return strings.ToUpper(strings.Trim(path, "/")) }

func (j *job) pin(runs []fat.Run, path string, code disk.Code, bySector bool, why string) {
	for _, r := range runs {
		j.pins = append(j.pins, pin{r, path, code, bySector, why})
	}
}

// bootCode returns the code in the reserved sectors, as far as they can be
// read, in runs that follow each other without a gap. The fields of boot sectors
// and FSInfo are left out: a length or a count says nothing about the place of a
// file, though it may well equal one.
func (j *job) bootCode() [][]byte {
	n := min(j.from.Reserved.Count, maxCode/disk.Sector(j.size), j.whole())
	fields := map[disk.Sector]bootPlace{}
	for _, p := range j.bootPlaces() {
		fields[p.at] = p
	}
	var out [][]byte
	var run []byte
	end := func() {
		if len(run) > 0 {
			out, run = append(out, run), nil
		}
	}
	for x := range n {
		b, err := image.ReadSector(j.v.Source(), x)
		p, special := fields[x]
		switch {
		case err != nil, special && p.info && fat.IsFSInfo(b):
			end()
		case special && !p.info:
			end()
			run = append(run, b[bootFieldsEnd(j.v.Kind, b):bootSignature]...)
			end()
		default:
			run = append(run, b...)
		}
	}
	end()
	return out
}

// bootSignature is where the 55 AA of a boot sector stands, whatever the size of
// a sector (FG, "Boot Sector and BPB").
const bootSignature = 510

// bootFieldsEnd returns the byte at which the fields of a boot sector end and
// its code begins. FG, "Boot Sector and BPB": on FAT12 and FAT16 the last fields
// are there only if BS_BootSig says so; 28h announces the first of them alone
// (OS/2 and DOS 4, from memory).
func bootFieldsEnd(k fat.Kind, sector []byte) int {
	switch {
	case k == fat.FAT32:
		return 90
	case sector[38] == 0x29:
		return 62
	case sector[38] == 0x28:
		return 43
	}
	return 36
}

// lastPinned returns the pin with the highest cluster that must stay, or nil. A file
// that is looked for by name may lie anywhere in one piece.
func (j *job) lastPinned() *pin {
	var last *pin
	for i := range j.pins {
		p := &j.pins[i]
		if p.code != disk.SystemFileMoves && !j.w.Accept(p.code) && (last == nil || p.run.End() > last.run.End()) {
			last = p
		}
	}
	return last
}

// pinnedClusters returns how many clusters a volume has at least that keeps what
// must stay.
func (j *job) pinnedClusters() int64 {
	if p := j.lastPinned(); p != nil {
		return int64(p.run.End()) - 2 // they count from 2
	}
	return 0
}

// checkPins asks about each thing that would lose its place.
func (j *job) checkPins() {
	asked := map[string]bool{}
	for _, p := range j.pins {
		moves := p.run.End()-1 > j.new.Clusters+1
		if p.code == disk.SystemFileMoves || asked[p.path] || !moves && !(p.bySector && j.res.Shifted) {
			continue
		}
		asked[p.path] = true
		way := "its clusters lie beyond the new end"
		if !moves {
			way = "the data area as a whole gets another place; " + sectors(j.res.Limits.LargestInPlace) +
				" is the largest size without that"
		}
		if moves {
			way += j.withoutMove(p.path)
		}
		then := ""
		if p.code == disk.LoaderFileMoves {
			then = " What starts through it will not start until the boot loader is installed again on the card"
		}
		j.ask(disk.Refusalf(p.code, j.from.Clusters(p.run.First, 1).Start, "/%s would move (%s), and it must stay: %s.%s",
			p.path, way, p.why, then))
	}
}

// withoutMove says with which size a file stays.
func (j *job) withoutMove(path string) string {
	return fmt.Sprintf("; with %s or more the volume needs no move of it", sectors(j.pinnedSize(path)))
}

// pinnedSize returns the smallest size with which no run of a file moves.
func (j *job) pinnedSize(path string) disk.Sector {
	end := uint32(2)
	for _, p := range j.pins {
		if p.path == path {
			end = max(end, p.run.End())
		}
	}
	return max(disk.Sector(j.old.SizeFor(int64(end)-2))*j.v.PerSector, j.smallestMoved())
}

// checkSystem tells of files that boot code looks for by name and that move. It asks
// where one lay in one piece and does not on the card: such code finds the first
// cluster in the directory, and may read on from there (common practice, no source).
func (j *job) checkSystem() {
	told := map[string]bool{}
	for _, p := range j.pins {
		if p.code != disk.SystemFileMoves || told[p.path] {
			continue
		}
		told[p.path] = true
		before, after, moved := j.pieces(p.path)
		at := j.from.Clusters(p.run.First, 1).Start
		switch {
		case !moved:
		case before == 1 && after > 1:
			j.ask(disk.Refusalf(p.code, at, "/%s would move, and lie in %s%s. %s: code that wants it in one piece does "+
				"not start it",
				p.path, disk.Counted(after, "piece"), j.withoutMove(p.path), p.why))
		default:
			j.note(disk.Notef(p.code, at, "/%s moves; %s, and finds it: it lies in %s, as before",
				p.path, p.why, disk.Counted(after, "piece")))
		}
	}
}

// namedRuns returns where the files lie that boot code looks for by name.
func (j *job) namedRuns() (out []fat.Run) {
	for _, p := range j.pins {
		if p.code == disk.SystemFileMoves {
			out = append(out, p.run)
		}
	}
	return out
}

// pieces returns in how many pieces a pinned file lies before and after the moves.
func (j *job) pieces(path string) (before, after int, moved bool) {
	var last, now uint32
	for _, p := range j.pins {
		if p.path != path || p.code != disk.SystemFileMoves {
			continue
		}
		for c := p.run.First; c < p.run.End(); c++ {
			to := j.moves.to(c)
			moved = moved || to != c
			if c != last+1 {
				before++
			}
			if to != now+1 {
				after++
			}
			last, now = c, to
		}
	}
	return before, after, moved
}
