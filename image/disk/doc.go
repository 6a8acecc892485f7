// Package disk is the ground floor: addresses, counts and sets of sectors, the
// one proof that parts tile a whole, errors that name their place, and findings.
// It knows nothing of files, formats or cards.
package disk
