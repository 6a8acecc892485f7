package layout

import (
	"slices"

	"bootgraft/image/disk"
)

// Parsed is what the reader of a partition table hands on: the table in the vocabulary,
// and what is wrong with it.
type Parsed struct {
	Table
	Findings []disk.Finding
}

// Result returns the whole of it, for those who ask readers of many kinds.
func (p *Parsed) Result() *Parsed { return p }

// Damagedf notes a fault by which not all of the table can be believed.
func (p *Parsed) Damagedf(code disk.Code, at disk.Sector, format string, args ...any) {
	p.State = Damaged
	p.Findings = append(p.Findings, disk.Warningf(code, at, format, args...))
}

// Check compares the entries that count with each other and with the disk of so many
// sectors, see CheckEntries.
func (p *Parsed) Check(drive disk.Sector, counts func(Entry) bool) {
	used := slices.DeleteFunc(slices.Clone(p.Entries), func(e Entry) bool { return !counts(e) })
	p.Findings = append(p.Findings, CheckEntries(used, drive)...)
}
