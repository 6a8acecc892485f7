// Package studio invents recordings, and what may be taken for one, for tests. It shares
// no code with the detector but the form in which a format is written down.
package studio

import (
	"math"
	"math/rand/v2"
)

// Instrument plays n samples of a track, from -1 to 1, at a rate of samples a second.
type Instrument func(r *rand.Rand, rate, n int) []float64

// Instruments are all that there are, by name.
var Instruments = map[string]Instrument{
	"sweep": Sweep, "plucked": Plucked, "speech": Speech, "drums": Drums, "organ": Organ, "clipped": Clipped,
	"hiss": Hiss, "silence": Silence,
}

// players are the instruments of which songs are made.
var players = []Instrument{Plucked, Speech, Drums, Organ, Clipped, Sweep}

// Silence is digital: every sample is 0.
func Silence(_ *rand.Rand, _, n int) []float64 { return make([]float64, n) }

// Hiss is a track on which nobody plays: noise some 60 dB down, a little darker than white.
func Hiss(r *rand.Rand, _, n int) []float64 {
	out := make([]float64, n)
	low := 0.0
	for i := range out {
		low = 0.7*low + 0.3*r.NormFloat64()
		out[i] = 0.001 * low
	}
	return out
}

// Sweep is a sine from 40 Hz to 8 kHz.
func Sweep(r *rand.Rand, rate, n int) []float64 {
	out := make([]float64, n)
	phase, f := 0.0, 40.0
	grow := math.Pow(200, 1/float64(n+1))
	loud := 0.2 + 0.6*r.Float64()
	for i := range out {
		phase += 2 * math.Pi * f / float64(rate)
		f *= grow
		out[i] = loud * math.Sin(phase)
	}
	return out
}

// Plucked plays strings: noise that goes round a loop and loses its treble each time.
func Plucked(r *rand.Rand, rate, n int) []float64 {
	out := make([]float64, n)
	for at := 0; at < n; {
		period := max(8, int(float64(rate)/(80*math.Pow(2, float64(r.IntN(37))/12))))
		loop := make([]float64, period)
		loud := 0.2 + 0.5*r.Float64()
		for i := range loop {
			loop[i] = loud * (2*r.Float64() - 1)
		}
		for range 2 { // a soft plectrum
			last := loop[period-1]
			for i := range loop {
				loop[i], last = (loop[i]+last)/2, loop[i]
			}
		}
		mean := 0.0 // no microphone hears what stands still
		for _, x := range loop {
			mean += x / float64(period)
		}
		for i := range loop {
			loop[i] -= mean
		}
		long := rate/8 + r.IntN(rate)
		for i := 0; i < long && at < n; i++ {
			k := i % period
			out[at] = loop[k]
			loop[k] = 0.4985 * (loop[k] + loop[(k+1)%period])
			at++
		}
	}
	return out
}

// Clipped is strings played far too loud.
func Clipped(r *rand.Rand, rate, n int) []float64 {
	out := Plucked(r, rate, n)
	for i := range out {
		out[i] = min(1, max(-1, 5*out[i]))
	}
	return out
}

// resonator is a pair of poles.
type resonator struct{ a, b, y1, y2 float64 }

func newResonator(freq, width float64, rate int) *resonator {
	radius := math.Exp(-math.Pi * width / float64(rate))
	return &resonator{a: 2 * radius * math.Cos(2*math.Pi*freq/float64(rate)), b: -radius * radius}
}

func (q *resonator) next(x float64) float64 {
	y := x + q.a*q.y1 + q.b*q.y2
	q.y1, q.y2 = y, q.y1
	return y
}

// Speech is pulses and noise through three resonances, in syllables with pauses between,
// over the noise of a room.
func Speech(r *rand.Rand, rate, n int) []float64 {
	out := make([]float64, n)
	for at := 0; at < n; {
		voiced, pause := r.IntN(4) > 0, r.IntN(5) == 0
		pitch := rate / (90 + r.IntN(140))
		tract := []*resonator{
			newResonator(250+600*r.Float64(), 80, rate), newResonator(900+1200*r.Float64(), 110, rate),
			newResonator(2300+900*r.Float64(), 170, rate),
		}
		long := rate/16 + r.IntN(rate/5)
		part := make([]float64, 0, long)
		peak := 1e-9
		for i := 0; i < long && at+i < n; i++ {
			x := 0.05 * r.NormFloat64()
			if voiced && i%pitch == 0 {
				x += 1
			}
			y := 0.0
			for _, q := range tract {
				y += q.next(x)
			}
			peak = max(peak, math.Abs(y))
			part = append(part, y*math.Sin(math.Pi*float64(i)/float64(long)))
		}
		loud := (0.1 + 0.4*r.Float64()) / peak
		if pause {
			loud = 0
		}
		for i, y := range part {
			out[at+i] = loud*y + 0.0004*r.NormFloat64()
		}
		at += len(part)
	}
	return out
}

// Drums are bursts of noise and of a falling tone, with digital silence where they have died away.
func Drums(r *rand.Rand, rate, n int) []float64 {
	out := make([]float64, n)
	for at := 0; at < n; at += rate/8 + r.IntN(rate/3) {
		noise, f, phase, low := r.Float64(), 50+100*r.Float64(), 0.0, 0.0
		die, loud := math.Exp(-1/(float64(rate)*(0.02+0.1*r.Float64()))), 0.3+0.5*r.Float64()
		for i := at; i < n && loud > 1e-5; i++ {
			phase += 2 * math.Pi * f / float64(rate)
			low = 0.6*low + 0.4*r.NormFloat64()
			out[i] += loud * ((1-noise)*math.Sin(phase) + 0.5*noise*low)
			loud *= die
		}
	}
	for i := range out {
		out[i] = min(1, max(-1, out[i]))
	}
	return out
}

// Organ plays chords of harmonics that beat a little.
func Organ(r *rand.Rand, rate, n int) []float64 {
	out := make([]float64, n)
	for at := 0; at < n; {
		long := rate/2 + r.IntN(2*rate)
		end := min(n, at+long)
		for range 3 {
			f := 65 * math.Pow(2, float64(r.IntN(36))/12)
			for h := 1; h <= 6 && f*float64(h) < float64(rate)/2.2; h++ {
				w := 2 * math.Pi * f * float64(h) * (1 + 0.001*r.NormFloat64()) / float64(rate)
				a, p := 0.15/float64(h), 2*math.Pi*r.Float64()
				for i := at; i < end; i++ {
					out[i] += a * math.Sin(w*float64(i)+p) * math.Min(1, math.Min(float64(i-at), float64(end-i))/500)
				}
			}
		}
		at = end
	}
	return out
}

// Tracks plays one instrument on each of n tracks, drawn anew for each; one track in six
// is empty, and one in eight has hiss alone, but never the first.
func Tracks(r *rand.Rand, rate, n, samples int) [][]float64 {
	out := make([][]float64, n)
	for i := range out {
		switch k := r.IntN(24); {
		case i > 0 && k < 4:
			out[i] = Silence(r, rate, samples)
		case i > 0 && k < 7:
			out[i] = Hiss(r, rate, samples)
		default:
			out[i] = players[r.IntN(len(players))](r, rate, samples)
		}
	}
	return out
}

// Stereo mixes three instruments between left and right, with a fade at both ends and a
// second of silence inside.
func Stereo(r *rand.Rand, rate, samples int) [][]float64 {
	out := [][]float64{make([]float64, samples), make([]float64, samples)}
	for range 3 {
		pan := r.Float64()
		for i, x := range players[r.IntN(len(players))](r, rate, samples) {
			out[0][i] += 0.6 * x * math.Sqrt(1-pan)
			out[1][i] += 0.6 * x * math.Sqrt(pan)
		}
	}
	fade := min(rate/2, samples/4)
	rest := samples/3 + r.IntN(samples/3+1)
	for i := range samples {
		g := math.Min(1, math.Min(float64(i+1), float64(samples-i))/float64(fade))
		if i >= rest && i < rest+rate && samples > 5*rate {
			g = 0
		}
		for c := range out {
			out[c][i] = min(1, max(-1, g*out[c][i]))
		}
	}
	return out
}
