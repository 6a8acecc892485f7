package record

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"bootgraft/image/disk"
)

// What was found of the bridge stands in lines of words, which every version of the
// program reads over: a verb of its own would make the record one of a later form.
const (
	toldBegins = "Bridge check: "
	toldDone   = toldBegins + "done"
)

// Told is the line that keeps a finding about the bridge.
func Told(f disk.Finding) Line {
	at := "-"
	if f.Sector != disk.NoSector {
		at = strconv.FormatInt(int64(f.Sector), 10)
	}
	return Line{Verb: VerbWords, Texts: []string{toldBegins + string(f.Code) + " " + at + " " + f.Text}}
}

// ToldAll is the line behind the last of them.
func ToldAll() Line { return Line{Verb: VerbWords, Texts: []string{toldDone}} }

// mostTold bounds what is kept of them: by hand, no source; a check makes a few.
const mostTold = 32

// takeTold takes a line of words in, if it says what was found of the bridge. Anything
// else in it is for people.
func (rec *Record) takeTold(text string) {
	rest, ok := strings.CutPrefix(text, toldBegins)
	switch {
	case text == toldDone:
		rec.BridgeChecked = true
		return
	case !ok || len(rec.Told) >= mostTold || strings.ContainsFunc(rest, func(r rune) bool { return r < ' ' || r > '~' }):
		return
	}
	code, rest, _ := strings.Cut(rest, " ")
	at, words, _ := strings.Cut(rest, " ")
	f := disk.Warningf(disk.Code(code), disk.NoSector, "%s", words)
	if n, err := strconv.ParseUint(at, 10, 62); err == nil {
		f.Sector = disk.Sector(n)
	}
	rec.Told = append(rec.Told, f)
}

// Which sectors are another unit's stands in lines of words too: a record of a merge
// stays one that every version reads.
const (
	unitBegins = "Another unit: capture "
	nameBegins = "Another unit's name: "
)

// Mark is a run of bytes in one sector that names a unit.
type Mark struct {
	Sector        disk.Sector
	Offset, Count int
	What          string
}

// OtherUnit is the line that says that capture number of a merge is of another unit of
// the model; the captures are numbered from 1.
func OtherUnit(number int) Line {
	return Line{Verb: VerbWords, Texts: []string{unitBegins + strconv.Itoa(number)}}
}

// UnitName is the line that keeps which bytes taken from another unit name it.
func UnitName(m Mark) Line {
	return Line{Verb: VerbWords, Texts: []string{fmt.Sprintf("%s%d %d %d %s", nameBegins, m.Sector, m.Offset, m.Count,
		m.What)}}
}

// mostMarks bounds how many names of units are kept: by hand, no source; what is taken
// from another unit holds a few.
const mostMarks = 256

// takeUnit takes a line of words in, if it says what is another unit's.
func (rec *Record) takeUnit(text string) {
	if n, err := strconv.Atoi(strings.TrimPrefix(text, unitBegins)); strings.HasPrefix(text, unitBegins) && err == nil &&
		n > 0 && n < 256 {
		if !slices.Contains(rec.OtherUnits, n) {
			rec.OtherUnits = append(rec.OtherUnits, n)
		}
		return
	}
	var m Mark
	rest, ok := strings.CutPrefix(text, nameBegins)
	f := strings.SplitN(rest, " ", 4)
	if !ok || len(f) < 4 || len(rec.UnitNames) >= mostMarks ||
		strings.ContainsFunc(f[3], func(r rune) bool { return r < ' ' || r > '~' }) {
		return
	}
	at, err1 := strconv.ParseInt(f[0], 10, 62)
	offset, err2 := strconv.Atoi(f[1])
	count, err3 := strconv.Atoi(f[2])
	m = Mark{disk.Sector(at), offset, count, f[3]}
	if err1 == nil && err2 == nil && err3 == nil && rec.Whole().Holds(m.Sector) && m.Offset >= 0 && m.Count > 0 &&
		m.Offset+m.Count <= rec.SectorSize {
		rec.UnitNames = append(rec.UnitNames, m)
	}
}

// OfOtherUnits returns the sectors that another unit of the model gave.
func (rec *Record) OfOtherUnits() (out disk.Spans) {
	for _, n := range rec.OtherUnits {
		out = out.Union(rec.Origins(n))
	}
	return out
}

// UnitFinding says which sectors are another unit's, nil if none are.
func (rec *Record) UnitFinding() *disk.Finding {
	spans := rec.OfOtherUnits()
	if len(spans) == 0 {
		return nil
	}
	f := disk.Warningf(disk.FromAnotherDrive, spans[0].Start,
		"another unit of the model gave %s: %s. %s", disk.Counted(spans.Sectors(),
			"sector"), spans.Text(), namesText(rec.namesIn(spans)))
	return &f
}

// namesIn returns which bytes of some sectors name the unit that gave them: the drive itself may
// have given others since.
func (rec *Record) namesIn(spans disk.Spans) []Mark {
	return slices.DeleteFunc(slices.Clone(rec.UnitNames), func(m Mark) bool { return !spans.Holds(m.Sector) })
}

func namesText(names []Mark) string {
	if len(names) == 0 {
		return "No bytes that name a unit are known in them; a serial number or a pairing code of a kind that is not " +
			"known here may be"
	}
	const most = 4
	var out []string
	for i, m := range names {
		if i == most {
			out = append(out, fmt.Sprintf("and %d more", len(names)-most))
			break
		}
		out = append(out, fmt.Sprintf("sector %s, byte %d, %s: %s", disk.Grouped(m.Sector), m.Offset,
			disk.Counted(m.Count, "byte"), m.What))
	}
	return "These bytes in them name the other unit: " + strings.Join(out, "; ")
}
