// Package fit plans a card: Map + target + wishes -> Plan.
//
// It makes the smallest change that follows from the new size. What need not
// change is copied, nothing is moved, aligned, rounded or repaired unless
// asked. It reads the source and nothing else: no clock, no randomness.
//
// Each stage is a function from the value of the one before it to its own, and
// what it has to say (said). It changes no earlier value. The verdict alone
// weighs what is said against what is accepted (verdict.go).
//
//	given         source, map, opened structures, wishes         given.go, open.go
//	 |
//	follow        rules.go: rules that hold here; ladder.go, onedrive.go: the tries
//	 |            where not all is known, each judged by an attempt of its own (judge.go)
//	course        rules and one try
//	 |
//	require       tail.go: where the tail begins, who says so, where it goes, after
//	 |            rules.go, invariants.go and tailcopies.go; entries.go: what is in use
//	requirement   the tail, the end of each entry, the front
//	 |
//	place         volumes.go: FAT volumes of another size; placement.go: entries
//	placement     the requirement, sizes of volumes, lengths of entries
//	 |            too small for it: smallest.go finds the card that would do by attempts
//	 |            at other sizes; falloff.go says what falls off
//	renderTables  tables.go
//	patches       sectors that tables make new
//	 |
//	draw          base.go: segments, the card before anything is new on it; rules.go:
//	 |            patches of rules over those of tables; walls.go: what a device may not
//	 |            reach; missing.go: a copy answers for sectors not known, or zeros
//	drawing       placement, segments, patches
//	 |
//	emit          emit.go, emitvolume.go: segments and patches become pieces
//	Plan
//	 |
//	prove         resurvey.go: the planned card is surveyed as a disk, what was carried is
//	              found there; rules.go, invariants.go: rules and invariants hold
//
// An attempt is one run through the stages (fit.go); Plan makes one, and more to
// answer what other sizes and acceptances would do.
package fit
