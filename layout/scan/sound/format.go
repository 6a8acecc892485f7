package sound

import (
	"fmt"

	"bootgraft/image"
)

// Kind says what carries the sound of a run.
type Kind string

// The kinds of runs.
const (
	Wave Kind = "wave" // RIFF of type WAVE
	RF64 Kind = "rf64" // the same with 64-bit lengths
	AIFF Kind = "aiff"
	AIFC Kind = "aifc"
	MPEG Kind = "mpeg" // frames of MPEG audio, layer 2 or 3
	ADTS Kind = "adts" // frames of MPEG-2 or MPEG-4 AAC
	PCM  Kind = "pcm"  // samples with nothing around them
)

// Container tells whether the run has a header that says what follows.
func (k Kind) Container() bool { return k == Wave || k == RF64 || k == AIFF || k == AIFC }

// Frames tells whether the run is a chain of frames of packed sound.
func (k Kind) Frames() bool { return k == MPEG || k == ADTS }

// Order is the order of the bytes of a sample.
type Order string

// The byte orders.
const (
	Little Order = "little"
	Big    Order = "big"
)

// Format says how samples lie on the disk. Of frames of packed sound it gives Rate and
// Channels alone.
type Format struct {
	Rate     int         // samples a second of each channel, 0 if unknown
	Bits     int         // of a sample that carry sound: 8, 16, 24, 32; 0 for packed sound
	Width    int         // bytes that a sample takes up, 4 for 24 bits in 32
	Low      bool        // the bits stand in the lowest bytes of Width; else in the highest
	Order    Order       // after the words are turned back by Swap
	Swap     image.Order // how the words of the region are turned; they count from byte 0 of the disk
	Unsigned bool        // silence is the middle of the range
	Codec    string      // of a container whose samples are no PCM integers; empty for PCM
	Channels int
	Block    int64 // bytes of one channel that lie together, 0: one sample of each in turn
}

// Bounds of what a Format may say: by hand, no source.
const (
	MaxChannels = 64
	MaxRate     = 1 << 20
	MaxBlock    = 1 << 20
)

// Frame returns the bytes that one sample of every channel takes up.
func (f Format) Frame() int64 { return int64(f.Width) * int64(f.Channels) }

// Check returns what stands against reading samples of this format.
func (f Format) Check() error {
	switch {
	case f.Codec != "":
		return fmt.Errorf("the samples are packed (%s), not PCM", f.Codec)
	case f.Bits != 8 && f.Bits != 16 && f.Bits != 24 && f.Bits != 32:
		return fmt.Errorf("samples of %d bits cannot be read: 8, 16, 24 or 32", f.Bits)
	case f.Width*8 < f.Bits || f.Width > 4:
		return fmt.Errorf("a sample of %d bits does not lie in %d bytes", f.Bits, f.Width)
	case f.Channels < 1 || f.Channels > MaxChannels:
		return fmt.Errorf("%d channels: it is 1 to %d", f.Channels, MaxChannels)
	case f.Rate < 0 || f.Rate > MaxRate:
		return fmt.Errorf("%d samples a second: it is 0 to %d", f.Rate, MaxRate)
	case f.Order != Little && f.Order != Big:
		return fmt.Errorf("byte order %q: it is little or big", f.Order)
	case f.Block < 0 || f.Block > MaxBlock || f.Block%int64(f.Width) != 0:
		return fmt.Errorf("blocks of %d bytes: it is a multiple of %d up to %d", f.Block, f.Width, MaxBlock)
	}
	return nil
}

// UsualRates are the rates at which recorders of the time work, the most usual first
// (common practice, no source). Of samples with nothing around them the first is taken.
var UsualRates = []int{44100, 48000, 32000, 22050, 96000}
