// Package fat reads FAT12, FAT16 and FAT32 volumes strictly: their boot
// sectors, allocation tables, directories and files, each with its place in
// sectors.
//
// The standard is Microsoft, "FAT: General Overview of On-Disk Format",
// version 1.03, called FG in the comments. Where real drivers depart from it,
// the comment says so.
//
// Every address is relative to the volume and counted in the sectors of the
// source that the volume was read from. The volume's own sectors (the field
// BytsPerSec of its boot sector) may be larger than those, never smaller.
//
// Read looks at the boot sectors alone. LoadTable reads an allocation table,
// NewWalk lists directories and files with their clusters, Open reads the
// content of one, Check proves the whole volume sound or says what is wrong,
// and References answers who names a cluster.
//
// Nothing here trusts a number from the disk: loops end, sizes are bounded by
// what the source holds, and trouble becomes a finding.
package fat
