// Package ext reads ext2, ext3 and ext4 volumes: what they say of themselves,
// where their files lie in sectors, and which sectors are in use. It writes
// nothing and replays no journal.
//
// Every sector here is counted from the start of the volume. The structures
// are those of the Linux kernel's Documentation/filesystems/ext4 (super.rst,
// group_descr.rst, bitmaps.rst, inodes.rst, blockmap.rst, ifork.rst,
// directory.rst, inlinedata.rst, attributes.rst); comments name the chapter.
package ext
