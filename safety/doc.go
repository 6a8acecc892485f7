// Package safety writes planned cards and proves what was written. It refuses
// before it changes anything, writes so that an older target stays whole until
// the new one is complete, and compares every sector with its provenance.
package safety
