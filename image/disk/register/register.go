// Package register says of every disk.Code what it means and what to do: the
// one table from which the help pages, the completion of --accept and the tests
// are made.
//
//	disk.Code -> Entry{Severity, Acceptable, Means, Do}, in groups by what it is about
//
// A finding itself says where, and how much; the register says what is true of
// its code wherever it occurs.
package register

import (
	"slices"
	"sync"

	"bootgraft/image/disk"
)

// Entry is what is true of one code.
type Entry struct {
	Code disk.Code
	// Severity is the heaviest that the code comes with. What a survey only
	// warns of may be asked where a card of another size is planned.
	Severity disk.Severity
	// Acceptable tells whether there is a case in which --accept goes on. A
	// Refusal that is not acceptable stands until its cause is gone.
	Acceptable bool
	Means      string // one sentence or two
	Do         string // what the reader does next
}

// Group is the entries about one thing, in the order in which they are shown.
type Group struct {
	Title   string
	Entries []Entry
}

// Groups returns all entries, in the order of the work: the drive first, the
// card last. The caller owns the slice of groups, not the entries.
func Groups() []Group {
	return []Group{
		drive, tables, volumes, fatVolumes, extVolumes, plans, resizing, rules, kits, targets, cards, receipts, changes,
	}
}

// byCode holds every entry by its code.
var byCode = sync.OnceValue(func() map[disk.Code]Entry {
	all := map[disk.Code]Entry{}
	for _, g := range Groups() {
		for _, e := range g.Entries {
			all[e.Code] = e
		}
	}
	return all
})

// About returns the title of the group that a code is in.
func About(code disk.Code) string {
	for _, g := range Groups() {
		if slices.ContainsFunc(g.Entries, func(e Entry) bool { return e.Code == code }) {
			return g.Title
		}
	}
	return ""
}

// Of returns the entry of a code, and whether there is one.
func Of(code disk.Code) (Entry, bool) {
	e, ok := byCode()[code]
	return e, ok
}

// Acceptable tells whether --accept takes the code anywhere.
func Acceptable(code disk.Code) bool { return byCode()[code].Acceptable }

// Codes returns all codes that keep wants, sorted; a nil keep wants all.
func Codes(keep func(Entry) bool) []disk.Code {
	var out []disk.Code
	for code, e := range byCode() {
		if keep == nil || keep(e) {
			out = append(out, code)
		}
	}
	slices.Sort(out)
	return out
}

func note(code disk.Code, means, do string) Entry {
	return Entry{code, disk.Note, false, means, do}
}

func warn(code disk.Code, means, do string) Entry {
	return Entry{code, disk.Warning, false, means, do}
}

// refuse is for what cannot be, whatever is accepted.
func refuse(code disk.Code, means, do string) Entry {
	return Entry{code, disk.Refusal, false, means, do}
}

// ask is for what goes on if its owner accepts it by its code.
func ask(code disk.Code, means, do string) Entry {
	return Entry{code, disk.Refusal, true, means, do}
}
