// Package compare finds what several originals of one model have in common:
// which bytes of their boot areas follow the size of the disk and by which
// formula, which are checksums, which are copies, and which belong to the unit
// or change by themselves. The boot areas are the head, compared sector by
// sector from the start of the disk, and the tail, compared from its end.
//
// # Proof
//
// A field is proved for a card of N sectors when every original that is left
// out is predicted by the others, when what was predicted is at least 20 bits (bar in
// rules.go) more than log2 of the formulas and fields tried, and when every formula and
// every reading of the bytes that fits all originals puts the same bytes on a
// card of N sectors. Amounts added or taken away are never guessed: what the
// originals leave open of them stays open.
//
// A device counts with one size, whatever it makes of it: the sectors of its
// disk, or these cut to whole cylinders, say. Disks of whole cylinders do not tell
// the one from the other, so every number, and every place counted from the end,
// is read by each size that is left (Count), and what contradicts one number that
// is proved is left for none. Where no size is left for all, a number that does not count
// with the likeliest one is proved for no card: it or others may be misread.
//
// A number that follows from another one is no surer than that. Where it is the other and an
// amount, lies apart from it, and no byte ever carries into the next, a sum of words in
// another byte order would give the same: it is not proved.
//
// The size less a fixed part is no Count: every formula has what it takes away as an
// amount. Where no number shows that all sectors count, the others are taken to be
// about the rest first (usual.part).
//
// What is proved is proved among the formulas tried: a Formula of bytes, kB,
// MB, KiB, MiB or any whole number of sectors, rounded or not. Out of reach are
// heads, sectors and cylinders packed into one another, the size less what is in
// use, a cluster that grows with the disk, a table that its own length shortens,
// numbers mixed with a key or in parts that do not lie side by side, checksums
// over spans that are not usual, and anything in a sector of which more than
// three bytes in eight differ: that is content.
//
// # Pipeline
//
//	Run                    compare.go: worker.run calls the steps, in this order
//	 |  read               read.go: sectors that differ in few bytes become sheets
//	 |  copies             copies.go: first, for what is a copy needs no rule of its own
//	 |  numbers            numbers.go with fit.go, rounding.go and formula.go: every reading
//	 |                     by every formula, with leave-one-out
//	 |  counted size       worlds.go, count.go: which size is left for all numbers at once;
//	 |                     where no end is certain, all of it again for each end
//	 |  strong numbers     numbers.go: accept; relation.go: what follows from another number
//	 |  checksums          checks.go with spans.go, sums.go and copies.go; then the weak
//	 |                     numbers that no checksum explains
//	 '- the rest           rest.go: every other byte gets a class
//	Apply                  apply.go: fields, checksums, copies, what copies have of their
//	                       own (answer.go says what a field holds), then verify.go and
//	                       carry.go look at what was made
//	Tries                  tries.go: what may be tried where the originals leave several
//	                       formulas and readings (options.go), the likeliest card first, by
//	                       how usual formulas (share.go) and readings (reading.go) are
//
// Numbers, checksums and copies have no interface in common: Apply makes them in an order
// that all of them decide, and Broken asks them together; only what one disk suggests is
// asked alone (candidate.Invariant).
//
// # The rule file
//
// Encode writes the rules as one JSON object, and Decode reads no other:
//
//	schema       3; forms 1 and 2 are read too (see Schema)
//	kind         "boot area rules"
//	written_by   the version of the program, digest: the check number of the object
//	sector_size  bytes
//	sizes        sectors of each original, ascending
//	head, tail   sectors compared from the start and from the end
//	fields       numbers: from, sector, byte: the place; class; width in bytes; bits predicted;
//	             value: the first formula in words (it must be that of the first way);
//	             doubt: why no card is decided; ways: every reading that fits;
//	             on, if there: the place of the number that its formulas take for N
//	  ways       byte, encoding (see candidate.Encoding), formulas; share: how usual such a
//	             reading is (Way.Share), which orders tries alone
//	  formulas   times, of, per, add_min, add_max, plus:
//	             times * floor((of*N + add) / per) + plus, for all add_min <= add <= add_max;
//	             whole, most, if there: N is the size as that count has it
//	counts       sizes that the device may count with, the likeliest first, none: N alone:
//	             whole, most: whole * floor(min(N, most) / whole); see Count
//	copies       of, to: first sector of the original and of the copy; count; back: the sectors
//	             of the copy lie in reverse order; order: 1 plain, 2 with the bytes of 16-bit
//	             words exchanged, 4 with those of 32-bit words reversed; own: bytes of the copy
//	             that are not those of the original
//	checks       checksums: place, width, bits, doubt, ways
//	  ways       sum (see candidate.Sum), encoding, byte, start, count in bytes, order; the bytes of
//	             the checksum itself count as zeros
//	carried      bytes without a rule: place, count, class; they stay as the source has them
//
// A place is {from, sector, byte}: from "start", sector 0 is the first of the
// disk; from "end", sector 1 is the last that the device counts. Rules are applied in this order:
// fields of originals, their checksums from the inside out, copies, what
// copies have of their own, their checksums.
package compare
