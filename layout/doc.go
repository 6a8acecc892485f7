// Package layout is the vocabulary of the project: who owns each sector of an
// original (Map, Region), and where each sector of a card comes from (Piece).
//
// Every sector of an original has exactly one owner, every sector of a card one
// provenance; disk.CheckTiles proves both. Sectors, spans, findings and errors
// that name a place are one floor below, in image/disk. The packages below this
// folder each know one format or one step of the work; this one imports none of
// them.
//
// # Glossary
//
// The trade's word first; where the code uses another one, that follows it.
//
// Of the original:
//
//	capture           the image file of a drive with its record, which says which
//	                  sectors were read and how
//	record            text that grows at its end only, beside the image; drawn in
//	                  image/capture/record
//	boot area, kit    what starts a device: the head, the tail and what lies between
//	                  the volumes; a kit is one file that holds these and no more
//	map               a partition of all sectors of a disk into regions
//	region            one run of sectors with one owner and one Role
//	entry             one line of a partition table; its Index is what people call it
//	volume            a file system, as long as it says itself, in an entry or bare
//	slack             what lies in an entry behind the end of its volume
//	gap               sectors that no entry and no table owns, the tail apart
//	head, tail        the boot area at the start, and the one that runs to the last
//	                  sector; what is counted from the end moves with it (FromEnd)
//	copy              a structure that is on a disk more than once: primary and backup
//	                  in a table, CopyRule in the rules; mirror where it was seen on
//	                  one disk only, twin where it stands for sectors that are not known
//	missing, unread, skipped, unstable
//	                  tried and failed; not tried; left out as asked; read twice with
//	                  two answers: the states of sectors, never mixed
//
// Of what follows the size:
//
//	world, counted size
//	                  the size that a device computes with (Count): all sectors, or
//	                  these cut to cylinders or at a wall; each that is left is a world
//	candidate         what one disk suggests, with the hits expected by chance
//	rule              what several originals prove: a number, a copy, a checksum
//	leave-one-out     a rule is proved if each original is predicted by the others;
//	                  pages say that the others foretell it
//	alternative       another reading of the same bytes that fits as well: a Way of one
//	                  rule, a rival of another
//	invariant, truth  what is true of the source and must be true of the card: a
//	                  copy, a chain, a checksum (candidate.Invariant)
//
// Of the card:
//
//	plan              the tiling of a card by pieces, with the bytes that are made new
//	requirement       what a card must have room for: what is in use and counts from the
//	                  start (the front), the tail, a backup table
//	placement         the sizes that volumes and entries get on the card
//	piece             one run of card sectors with one provenance
//	provenance, Op    copied, rendered (made new), zeros, or left as the card has it
//	planned card      plan and source read as a disk, before any card is written
//	try, rung         one of several cards for a layout that nobody knows; all of them,
//	                  cheapest first, are the ladder
//
// Of the work:
//
//	finding           what was seen, with a code, a place, and what to do
//	refusal           a finding that stops the work until its owner accepts its code,
//	                  or for good
//	fence             the first and last 1 MiB and all table places, blank while a card
//	                  is written: a card that lost power half-way is plainly no disk
//	mark              random bytes inside the fence by which that very card is known
//	receipt           the file that says what a card held and how far the work came
package layout
