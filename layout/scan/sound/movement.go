package sound

import (
	"math"
	"slices"
)

// movement is how the samples of a run move, summed up over windows.
type movement struct {
	lanes   [maxLanes]moving
	windows int
	wide    bool    // steps are compared all over whole windows: a low tone goes one way for a while
	pairs   float64 // of residuals that were compared
	equal   float64 // how many of them were equal
	expect  float64 // how many are expected of a spread as wide
	drift   float64 // share of the energy that lies below 20 Hz, as sound found it
}

type moving struct {
	n, sum, energy float64
	means          []float64 // of each window
	chance         float64   // the sum of what the squares of these are too large by chance
	bits, full     float64
	steps, moved   int     // samples, and how many differ from the one before
	ways, up       float64 // of the steps that were compared, all and those that rise
}

// windowSamples is a twentieth of a second at the usual rate: what moves slower is no
// sound that anybody hears.
const (
	windowSamples = 2048
	windowsTried  = 12
)

// movement measures windows spread over the run.
func (f *finder) movement(r reading, start, end int64) (m movement, err error) {
	j := &f.judge
	err = f.sample(start, end, (windowSamples*r.Frame()+511)/512*512, windowsTried, func(b []byte, at int64) {
		x, _ := r.samples(j.x[:0], turned(j.turned, b, r.Swap), at)
		j.x = x
		audioBits(x, r.Channels, 8*float64(r.Width), &j.lanes)
		m.add(x, r, &j.lanes)
	})
	return m, err
}

// moves tells whether a block moves as sound does under a reading.
func (j *judge) moves(r reading, b []byte, at int64) bool {
	m := j.glimpse(r, b, at)
	return m.sound(r)
}

// glimpse looks at some samples of each twentieth of a second of a block, and at the steps of
// one piece.
func (j *judge) glimpse(r reading, b []byte, at int64) (m movement) {
	frames := r.framesIn(b, at)
	m.windows, m.wide = max(1, frames/windowSamples), frames >= windowSamples/2
	for w := range m.windows {
		j.glance(&m, r, b, at, w*frames/m.windows, frames/m.windows)
	}
	if places := j.pick(b); len(places) > 0 {
		p := places[len(places)/2]
		x, _ := r.samples(j.x[:0], turned(j.turned, b[p:][:pieceBytes], r.Swap), at+int64(p))
		j.x = x
		audioBits(x, r.Channels, 8*float64(r.Width), &j.lanes)
		var piece movement // whose steps are too near to each other to say which way they go
		for c := range r.Channels {
			m.lanes[c].steps, m.lanes[c].moved = j.lanes[c].n, j.lanes[c].moved
			piece.collide(x, c, r.Channels, &j.lanes[c])
		}
		m.pairs, m.equal, m.expect = piece.pairs, piece.equal, piece.expect
	}
	return m
}

// glances are places of a window that follow no period: the fraction of the golden section.
// The mean of so many is known to an eighth of what the samples spread.
var glances = func() (out [64]float64) {
	for k := range out {
		out[k] = math.Mod(float64(k)*0.6180339887, 1)
	}
	return out
}()

// glance adds a window of a block, of which a few samples are looked at.
func (j *judge) glance(m *movement, r reading, b []byte, at int64, from, frames int) {
	n := float64(min(len(glances), frames))
	if n == 0 {
		return
	}
	var sum, energy [maxLanes]float64
	for _, part := range glances[:int(n)] {
		i := from + int(part*float64(frames))
		was := max(0, i-1)
		x := j.frames(r, b, at, was, i+1)
		for c, s := range x[len(x)-r.Channels:] {
			v := float64(s)
			sum[c] += v
			energy[c] += v * v
			if s != x[c] {
				m.lanes[c].ways++
				if s > x[c] {
					m.lanes[c].up++
				}
			}
		}
	}
	for c := range r.Channels {
		l := &m.lanes[c]
		// What the mean of so few is off by chance is taken away again.
		mean := sum[c] / n
		l.n += n
		l.sum += sum[c]
		l.energy += energy[c]
		l.means = append(l.means, mean)
		l.chance += (energy[c]/n - mean*mean) / n
	}
}

func (m *movement) add(x []int32, r reading, lanes *[maxLanes]lane) {
	m.windows++
	m.wide = len(x)/r.Channels >= windowSamples/2
	for c := range r.Channels {
		l := &m.lanes[c]
		n, sum := 0.0, 0.0
		for t := c; t < len(x); t += r.Channels {
			v := float64(x[t])
			sum += v
			l.energy += v * v
			n++
		}
		if n == 0 {
			continue
		}
		l.n += n
		l.sum += sum
		l.means = append(l.means, sum/n)
		l.bits += lanes[c].bits
		l.full += float64(lanes[c].n * 8 * r.Width)
		l.steps += lanes[c].n
		l.moved += lanes[c].moved
		m.collide(x, c, r.Channels, &lanes[c])
	}
}

// collisionSamples is how many residuals of a channel are compared with each other.
const collisionSamples = 48

// collide counts how often two steps of a channel, or two changes of a step, are the same:
// in tables and ramps mostly, in sound as seldom as its steps are large.
func (m *movement) collide(x []int32, c, channels int, l *lane) {
	if l.moved < 8 { // too few to be called often
		return
	}
	for order := 1; order <= 2; order++ {
		var seen [collisionSamples]int32
		n := 0
		skip := max(1, len(x)/channels/collisionSamples/2)
		for t := c + 2*channels; t < len(x) && n < len(seen); t += channels * skip {
			d := x[t] - x[t-channels]
			if d == 0 {
				continue
			}
			if order == 2 {
				d -= x[t-channels] - x[t-2*channels]
			}
			if order == 1 {
				m.lanes[c].ways++
				if d > 0 {
					m.lanes[c].up++
				}
			}
			seen[n] = d
			n++
		}
		slices.Sort(seen[:n])
		equal := 0.0
		for i := 0; i < n; {
			k := i
			for k < n && seen[k] == seen[i] {
				k++
			}
			equal += float64((k - i) * (k - i - 1) / 2)
			i = k
		}
		mean := float64(l.sum[order]) / float64(l.moved)
		pairs := float64(n * (n - 1) / 2)
		m.pairs += pairs
		m.equal += equal
		m.expect += pairs / (1 + 2*mean)
	}
}

// oneWay tells whether nearly all steps of a channel rise, or fall: numbers that count on, and
// begin again when they are full.
func (l *moving) oneWay() bool { return l.ways >= 30 && math.Abs(l.up-l.ways/2) > 0.42*l.ways }

// peaked tells whether steps are the same far more often than in sound.
func (m *movement) peaked() bool { return m.equal > 4*m.expect+0.1*m.pairs+3 }

// sound tells whether the samples of a run move as sound does.
func (m *movement) sound(r reading) bool {
	top := math.Ldexp(1, r.Bits-1)
	energy, drift, moved, oneWay := 0.0, 0.0, 0.0, 0.0
	for _, l := range m.lanes[:r.Channels] {
		if l.n == 0 || l.energy == 0 {
			continue
		}
		if l.full > 0 && l.bits > noiseLane*l.full {
			return false // another reading may be right
		}
		moved = max(moved, float64(l.moved)/float64(max(1, l.steps)))
		mean := l.sum / l.n
		offset := min(maxOffset*top, math.Abs(mean))
		if mean < 0 {
			offset = -offset
		}
		slow := 0.0
		for _, w := range l.means {
			slow += (w - offset) * (w - offset)
		}
		slow = max(0, slow-l.chance) * l.n / float64(len(l.means))
		rest := max(1, l.energy-l.n*offset*(2*mean-offset))
		energy += rest
		if m.wide && l.oneWay() {
			oneWay += rest
		}
		drift += slow
		if slow > 2*maxDrift*rest && rest/l.n > top*top/4096 {
			m.drift = 1
			return false
		}
	}
	m.drift = drift / max(1, energy)
	return energy > 0 && moved >= minMoved && m.drift <= maxDrift && oneWay < energy/2 && !m.peaked()
}
