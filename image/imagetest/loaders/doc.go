// Package loaders makes disks from which a machine really starts: with loaders of
// others, and with invented ones whose code lies beside their bytes in the folder
// code. What starts in the end says a mark to the port that the machine keeps for
// messages; package machine hears it.
//
// The disks are invented, and have the sizes of old drives: whole cylinders of 16
// heads and 63 sectors (common practice, no source).
package loaders

// started is what is said by what a loader started.
const started = "<STARTED>"
