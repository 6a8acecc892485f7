// Package mbr reads and renders the partition table of PC disks: the boot
// record in sector 0 and the chains of extended boot records behind it.
//
// The format has no one standard. The sources are: the EFI Specification 1.02
// (Intel, 12 December 2000), tables 16-5 and 16-6, for the boot record; the
// Linux kernel, block/partitions/msdos.c, for the chain; util-linux,
// include/pt-mbr.h and libfdisk/src/dos.c, for type codes and CHS.
//
// A boot record keeps every byte that nobody names, and a setter changes its
// own field only. Extended boot records are as strict or as lax as the kernel
// is: what is wrong with them is a finding, and the rest is still described.
package mbr
