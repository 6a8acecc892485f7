// Package candidate looks into the parts of one disk that no table and no volume
// explains: where structures begin and end, what the tail repeats of the head,
// which numbers may be the size of the disk or an address on it, and which
// bytes may be a checksum of others.
//
// One disk proves nothing. What this package returns are candidates, each with
// its evidence and the number of such hits that chance alone would give;
// package compare proves rules from several disks, with the numbers and
// checksums defined here.
package candidate
