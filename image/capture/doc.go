// Package capture reads a dying drive once, gently, into an image file, and
// keeps a record beside it that says which sectors were read, and how.
//
// What decides whether a device ever starts again is read first; what fails is
// left at once and comes back later, in smaller steps and from both sides. The
// record is text, grows only at its end, and is written so that the pair of
// files is consistent at whatever moment the run ends: the same run goes on
// from there and reads nothing again that is known.
//
// One run, in the order in which it happens:
//
//	Run                            engine.go
//	 |  go on or begin, prove      prepare.go, mend.go, proof.go with telling.go: is it the
//	 |                             same drive?
//	 |  what is worth most         passes.go: explore asks the Advisor (advisor.go), reads,
//	 |                             asks again, until it names nothing new; narrow.go goes
//	 |                             round the bad spots that were met
//	 |  files, then the rest       passes.go: bulk sweeps them in large reads; after each,
//	 |                             narrow.go again, and looks.go: boot areas are read
//	 |                             more than once
//	 |  what may cost much         passes.go: lastOfAll reads single sectors and the insides
//	 |                             of bad spots, then window.go what an earlier run
//	 |                             did not come back from
//	 '- prove, stop, hash          proof.go, engine.go, whole.go
//
// Every read of it, whatever asked for it, takes one way:
//
//	announce -> ask -> succeed or fail -> journal -> image, then its line -> mark
//	window.go   try.go                    journal.go
//
// The words used for sectors: good (read), missing (tried alone, the drive
// failed), unread (not tried alone), skipped (left out as asked), unstable (it
// answered differently from one time to the next). They are never mixed.
//
// What is known of each sector, and how it is written down, is record.Record.
package capture
