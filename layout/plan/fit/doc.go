// Package fit plans a card: Map + target + wishes -> Plan.
//
// It makes the smallest change that follows from the new size. What need not
// change is copied, nothing is moved, aligned, rounded or repaired unless
// asked. It reads the source and nothing else: no clock, no randomness.
//
//	Plan                    fit.go: planner.work calls the steps
//	 |  what is known       fit.go: findings of the survey; rules.go: the rules
//	 |                      that a card follows; ladder.go: which try of an unknown layout
//	 |  requirement         need.go: tail, front, backup table; rules.go, truths.go and twice.go
//	 |                      say where the tail begins; entries.go, volumes.go: what each
//	 |                      entry and volume needs
//	 |  placement           base.go: segments, the card before anything is made new
//	 |  patches             tables.go: tables; rules.go: what rules make of sectors
//	 |  missing sectors     missing.go: a copy that is known answers, else they are zeros
//	 |  pieces              emit.go: segments and patches become the plan
//	 '- proof               truths.go: the planned card is surveyed again (resurvey.go),
//	                        what was carried is found there, rules and truths hold
//	A card that is too small: smallest.go plans other sizes the same way, for the one
//	that would do.
package fit
