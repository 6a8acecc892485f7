package tracks

import (
	"encoding/binary"
	"io"

	"bootgraft/layout/scan/sound"
)

// Envelope returns how loud a track is in so many equal parts of it, each from 0 to 1 of
// full scale: the largest sample of a part of each. nil: its samples are packed, or it has
// none.
func (t *Track) Envelope(parts int) ([]float64, error) {
	frame := t.Format.Frame()
	if t.Format.Check() != nil || t.Data.Count < frame {
		return nil, nil
	}
	unit := frame
	if t.Format.Block > 0 {
		unit = t.Format.Block * int64(t.Format.Channels)
	}
	units := t.Data.Count / unit
	if units == 0 {
		return nil, nil
	}
	out := make([]float64, min(int64(parts), units))
	for i := range out {
		from, to := units*int64(i)/int64(len(out)), units*int64(i+1)/int64(len(out))
		part := t.Run
		part.Data = sound.Range{Start: t.Data.Start + from*unit, Count: min(to-from, max(1, envelopeBytes/unit)) * unit}
		peak, err := peakOf(&part, t)
		if err != nil {
			return nil, err
		}
		out[i] = peak
	}
	return out, nil
}

// envelopeBytes is how much of each part is looked at. By hand, no source: a fifth of a
// second of two channels, in which no song is silent by accident.
const envelopeBytes = 32 << 10

// peakOf returns the largest sample of a run, from 0 to 1.
func peakOf(r *sound.Run, t *Track) (float64, error) {
	s, err := r.PCM(t.Source)
	if err != nil {
		return 0, err
	}
	b, err := io.ReadAll(s)
	if err != nil {
		return 0, err
	}
	n, most := r.Format.Bits/8, 0.0
	for ; len(b) >= n; b = b[n:] {
		v := 0.0
		switch n {
		case 1:
			v = (float64(b[0]) - 128) / 128
		case 2:
			v = float64(int16(binary.LittleEndian.Uint16(b))) / (1 << 15)
		case 3:
			v = float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)) / (1 << 31)
		case 4:
			v = float64(int32(binary.LittleEndian.Uint32(b))) / (1 << 31)
		}
		most = max(most, v, -v)
	}
	return most, nil
}
