package resize

import (
	"bytes"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
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

// findPins finds what must stay: the files that the owner names, those whose
// names stand in the boot code, and those whose sectors are named by address.
func (j *job) findPins() error {
	if j.w.Empty {
		return nil
	}
	code := j.bootCode()
	names := bytes.Join(code, []byte{0})
	want := map[string]bool{}
	for _, p := range j.w.Pins {
		want[pinName(p)] = true
	}
	var candidates []candidate
	j.v.Visit(j.t, fat.Visitor{File: func(f *fat.File) {
		name := pinName(f.Path)
		if _, ok := want[name]; ok {
			want[name] = false
			j.pin(f.Chain.Runs, f.Path, disk.PinMoves, true, "you asked for that")
		}
		if f.Dir || f.First == 0 {
			return
		}
		if !strings.Contains(f.Path, "/") && bytes.Contains(names, f.Raw[:11]) {
			j.pin(f.Chain.Runs, f.Path, disk.SystemFileMoves, false, "the boot code looks for it by name and may want it in one piece")
		}
		if c, ok := j.candidate(f); ok && len(candidates) < maxCandidates {
			candidates = append(candidates, c)
		}
	}})
	for _, p := range j.w.Pins {
		if want[pinName(p)] {
			j.refuse(disk.Refusalf(disk.PinNotFound, disk.NoSector, "there is no file %s to be kept in its place", p))
		}
	}
	j.findLoaders(code, candidates)
	return nil
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

// lastPinned returns the pin with the highest cluster that must stay, or nil.
func (j *job) lastPinned() *pin {
	var last *pin
	for i := range j.pins {
		if p := &j.pins[i]; !j.w.Accept(p.code) && (last == nil || p.run.End() > last.run.End()) {
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
		if asked[p.path] || !moves && !(p.bySector && j.res.Shifted) {
			continue
		}
		asked[p.path] = true
		way := "its clusters lie beyond the new end"
		if !moves {
			way = "the data area as a whole gets another place; " + sectors(j.res.Limits.LargestInPlace) + " is the largest size without that"
		}
		repair := ""
		if p.code != disk.PinMoves {
			repair = " What starts through it will not start until the boot loader is installed again on the card"
		}
		j.ask(disk.Refusalf(p.code, j.from.Clusters(p.run.First, 1).Start, "/%s would move (%s), and it must stay: %s.%s", p.path, way, p.why, repair))
	}
}
