// Package capture reads a dying drive once, gently, into an image file, and
// keeps a record beside it that says which sectors were read, and how.
//
// What decides whether a device ever starts again is read first; what fails is
// left at once and comes back later, in smaller steps and from both sides. The
// record is text, grows only at its end, and is written so that the pair of
// files is consistent at whatever moment the run ends: the same run goes on
// from there and reads nothing again that is known.
//
// The words used for sectors: good (read), missing (tried alone, the drive
// failed), unread (not tried alone), skipped (left out as asked), unstable (it
// answered differently from one time to the next). They are never mixed.
//
// The record is drawn in package record; what its lines say together, and whether
// the image bears it out, is Record.
package capture
