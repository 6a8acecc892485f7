package resize

import (
	"strings"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/fat"
)

// pin is something that is found by its place.
type pin struct {
	run      fat.Run
	path     string
	code     string
	bySector bool // found by sectors; else by clusters, which may shift as one
	why      string
}

// Codes of pins.
const (
	codePin    = "pin-moves"
	codeSystem = "system-file-moves"
	codeLoader = "loader-file-moves"
)

// maxCode is how many bytes of boot code are searched.
const maxCode = 64 << 10

// findPins finds what must stay: the files that the owner names, those whose
// names stand in the boot code, and those whose sectors are named by address.
func (j *job) findPins() error {
	if j.w.Empty {
		return nil
	}
	code := j.bootCode()
	want := map[string]bool{}
	for _, p := range j.w.Pins {
		want[pinName(p)] = true
	}
	var candidates []candidate
	j.v.Visit(j.t, fat.Visitor{File: func(f *fat.File) {
		name := pinName(f.Path)
		if _, ok := want[name]; ok {
			want[name] = false
			j.pin(f.Chain.Runs, f.Path, codePin, true, "you asked for that")
		}
		if f.Dir || f.First == 0 {
			return
		}
		if !strings.Contains(f.Path, "/") && strings.Contains(code.text, string(f.Raw[:11])) {
			j.pin(f.Chain.Runs, f.Path, codeSystem, false, "the boot code looks for it by name and may want it in one piece")
		}
		if c, ok := j.candidate(f); ok && len(candidates) < maxCandidates {
			candidates = append(candidates, c)
		}
	}})
	for _, p := range j.w.Pins {
		if want[pinName(p)] {
			j.refuse(layout.Refusalf("pin-not-found", layout.NoSector, "there is no file %s to be kept in its place", p))
		}
	}
	j.findLoaders(code, candidates)
	return nil
}

func pinName(path string) string { return strings.ToUpper(strings.Trim(path, "/")) }

func (j *job) pin(runs []fat.Run, path, code string, bySector bool, why string) {
	for _, r := range runs {
		j.pins = append(j.pins, pin{r, path, code, bySector, why})
	}
}

// bootCode is the reserved sectors, as far as they can be read.
type bootCode struct {
	text string
	skip int // bytes of the first sector that are no code
}

func (j *job) bootCode() bootCode {
	n := min(j.from.reserved.Count, maxCode/layout.Sector(j.size), j.whole())
	var all []byte
	for x := range n {
		b, err := image.ReadSectors(j.v.Source(), layout.Span{Start: x, Count: 1})
		if err != nil {
			b = make([]byte, j.size)
		}
		all = append(all, b...)
	}
	skip := 62
	if j.v.Kind == fat.FAT32 {
		skip = 90
	}
	return bootCode{string(all), skip}
}

// lastPinned returns the highest cluster that must stay, or 0.
func (j *job) lastPinned() int64 {
	last := int64(0)
	for _, p := range j.pins {
		if !j.w.Accept(p.code) {
			last = max(last, int64(p.run.End())-1)
		}
	}
	return last
}

// checkPins asks about each thing that would lose its place.
func (j *job) checkPins() {
	asked := map[string]bool{}
	for _, p := range j.pins {
		moves := p.run.End()-1 > j.new.clusters+1
		if asked[p.path] || !moves && !(p.bySector && j.res.Shifted) {
			continue
		}
		asked[p.path] = true
		way := "its clusters lie beyond the new end"
		if !moves {
			way = "the data area as a whole gets another place; " + sectors(j.res.Limits.LargestInPlace) + " is the largest size without that"
		}
		repair := ""
		if p.code != codePin {
			repair = " What starts through it will not start until the boot loader is installed again on the card"
		}
		j.ask(layout.Refusalf(p.code, j.from.clusters(p.run.First, 1).Start, "/%s would move (%s), and it must stay: %s.%s", p.path, way, p.why, repair))
	}
}
