// Package second asks a reader that is not ours, the library go-diskfs, what
// it sees in a partition table and in a FAT volume, and compares that with
// what our own readers have found. Two readers that share no code and agree
// are better evidence than one.
//
// The library is good at what is ordinary and dangerous with what is not: it
// hangs in looping chains, allocates what a damaged disk asks for, and drops
// the errors of reads. So it never decides what to look at. Our strict reader
// proves a volume sound and free of everything that the library is known to
// read wrongly; only then is it asked, through a backend that cannot write,
// remembers every failed read, and shows it nothing but that volume. The
// source must hold still meanwhile: what was proved is read a second time.
//
// The answer is an opinion, never an error: agrees, differs, or cannot read
// this kind. Nothing depends on it.
package second
