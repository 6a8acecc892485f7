// Package candidate looks into the parts of one disk that no table and no volume
// explains: where structures begin and end, what the tail repeats of the head,
// which numbers may be the size of the disk or an address on it, and which
// bytes may be a checksum of others.
//
// One disk proves nothing. What this package returns are candidates, each with
// its evidence and the number of such hits that chance alone would give;
// package compare proves rules from several disks, with the numbers and
// checksums defined here.
//
// # Bounds
//
// The bars (report.go) are shares of one budget: on one disk in forty a survey may
// show something that is chance. One in forty, and how it is shared out, is chosen
// by hand, no source; what a bar compares is computed (stats.go, sum.go), and the
// tests hold it against disks of random bytes.
//
// All other bounds are by hand, no source, where nothing else is said beside them.
// They bound time and memory, and each widens or narrows what is tried; the number
// of hits expected by chance counts what was tried, so a bound that is wrong hides
// something, and never makes chance look like more than it is:
//
//	Reach             64 MiB, as long as a boot area is taken to be at most
//	edge..., near...  fields usually lie close to the ends of the disk and to borders
//	chainForms, chainBeyond, spanPlaces, sumPlaces and the like
//	                  forms that tables and headers of that time have, from memory
//	max...            what a person reads of one list, and memory for what is kept
//	minChanges        fewer different bytes, and a sector is no content to be known by
package candidate
