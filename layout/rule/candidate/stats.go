package candidate

import "math"

// stats are the byte statistics of what is searched: how often each byte
// stands there, and how often after each other one. From them comes the number
// of hits that chance alone would give.
type stats struct {
	total  int64
	single [256]int64
	pair   [256][256]uint32
}

func (s *stats) add(b []byte) {
	s.total += int64(len(b))
	last := byte(0)
	for i, c := range b {
		s.single[c]++
		if i > 0 {
			s.pair[last][c]++
		}
		last = c
	}
}

// inertia is how many times a byte must have been seen before what follows it
// counts as much as the statistics of single bytes.
const inertia = 256

// alone returns how likely byte c is at a place: its share, but never less
// than in random bytes.
func (s *stats) alone(c byte) float64 {
	return max(1.0/256, float64(s.single[c])/float64(max(1, s.total)))
}

// follows returns how likely c is after a: the larger of its share and of what
// was seen to follow a. Runs of one byte and frequent pairs make it large.
func (s *stats) follows(a, c byte) float64 {
	p := s.alone(c)
	return max(p, (float64(s.pair[a][c])+inertia*p)/(float64(s.single[a])+inertia))
}

// likely returns an upper estimate of the chance that the bytes p begin at a
// place drawn at random.
func (s *stats) likely(p []byte) float64 {
	out := 1.0
	for i, c := range p {
		if i == 0 {
			out = s.alone(c)
		} else {
			out *= s.follows(p[i-1], c)
		}
	}
	return min(1, out)
}

// printable returns the share of printable ASCII.
func (s *stats) printable() float64 {
	var n int64
	for c := 0x20; c <= 0x7E; c++ {
		n += s.single[c]
	}
	return float64(n) / float64(max(1, s.total))
}

// equal returns how likely two bytes drawn at random are the same.
func equal(count *[256]int) float64 {
	n, sum := 0.0, 0.0
	for _, c := range count {
		n += float64(c)
		sum += float64(c) * float64(c)
	}
	return sum / max(1, n*n)
}

// beyond bounds the chance that of n independent trials of chance p a share of
// q or more succeed (Chernoff's bound, by relative entropy).
func beyond(n, q, p float64) float64 {
	if q <= p || p <= 0 {
		return 1
	}
	if p >= 1 {
		return 1
	}
	d := q * math.Log(q/p)
	if q < 1 {
		d += (1 - q) * math.Log((1-q)/(1-p))
	}
	return math.Exp(-n * d)
}
