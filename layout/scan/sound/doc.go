// Package sound finds recordings in sectors of which nobody knows the layout, by what
// they are.
//
//	sectors     spans that no volume owns; a hole is never read, a missing sector is named
//	containers  RIFF/WAVE, RF64, AIFF, AIFF-C at the edge of a sector, in any word order of
//	            the disk: their chunks add up to the length that stands in front
//	frames      MPEG audio of layers 2 and 3, and ADTS, anywhere: the length of each frame
//	            leads to the next one, and what lies between looks packed
//	blocks      all else by 64 KiB: of 4 KiB the code lengths of hundreds of readings
//	            (tried.go) are held against those of the bytes one by one (cost.go)
//	movement    what drifts like a picture or steps like a table is no sound, however well
//	            it is foretold (movement.go, rows.go)
//	run         blocks that agree are measured again as one: reading, edges, and whether it
//	            is blocks of several tracks in turn (settle.go, edges.go, blocked.go)
//	evidence    bits beyond what the readings and places that were tried give by chance, and
//	            one sentence that says what was seen
//	samples     Run.PCM gives the samples of a run, Run.Bytes the run as it is; what is
//	            missing is silence in both
//
// Nothing is joined here: a run is one stretch of the disk.
//
// # What stays unheard
//
// Raw samples: runs shorter than 32 KiB or a fifth of a second, and of 8 bits and one
// channel mostly those of two seconds too (measured); noise at full level, and
// square waves, which no reading foretells as sound; more than two channels of 8 bits; words
// of floating point, companded or packed samples without a header; tracks in blocks of which
// each holds more than one channel, or of a length that is no whole number of samples.
// Frames of a free bit rate, and MPEG audio of layer 1.
//
// Of 16 bits with reversed words pairs of channels change places, and which channel is the
// first cannot be heard where a recording begins in silence. Raw samples do not say their
// rate: it is guessed.
package sound
