// Package gpt reads and renders GUID partition tables.
//
// Sources: the EFI Specification 1.02 (Intel, 12 December 2000), pages 311 to
// 316, and 1.10 (1 December 2002), pages 11-9 to 11-14, for the structures;
// the Linux kernel, block/partitions/efi.c, for what is accepted.
//
// A disk has two copies of the table, at both ends. Either alone describes
// the disk. Rendering changes the fields that depend on the disk's size, what
// the caller asks for, and the CRCs; every other byte stays.
package gpt
