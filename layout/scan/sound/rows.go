package sound

// Pictures of 8 bits a dot read like sound of 8 bits: what tells them apart is that a dot
// is like the one a row above it, all over the picture. A tone repeats too, but no music
// repeats after the same number of samples for the length of a window.
const (
	shortestRow = 64       // samples
	longestRow  = 1024     // a window holds four parts of more than that
	rowGlances  = 160      // places of a part that are looked at
	usualEach   = 9        // lengths of a row from which the usual difference is known
	rowWindow   = 48 << 10 // samples of each channel
	rowWindows  = 8
	rowLikeness = 0.5 // of the usual difference is left between rows, at most
)

// rows tells whether half of a run or more looks like rows of a picture.
func (f *finder) rows(o *open) (bool, error) {
	tried, hits := 0, 0
	r := o.reading
	err := f.sample(o.start, o.end, rowWindow*r.Frame(), rowWindows, func(b []byte, at int64) {
		x, _ := r.samples(f.judge.x[:0], b, at)
		f.judge.x = x
		if len(x) < 8*longestRow*r.Channels {
			return
		}
		tried++
		if rowsIn(x, r.Channels) {
			hits++
		}
	})
	return hits > 0 && 2*hits >= tried, err
}

// rowsIn tells whether one distance makes all four parts of a window alike, in some channel.
func rowsIn(x []int32, channels int) bool {
	for c := range channels {
		if rowsOf(x, c, channels) {
			return true
		}
	}
	return false
}

func rowsOf(x []int32, c, channels int) bool {
	part := len(x) / channels / 4
	var room [longestRow]int
	alive := room[:0]
	for lag := shortestRow; lag <= longestRow; lag++ {
		alive = append(alive, lag)
	}
	same := true // digital silence, and the same samples over and over, are no rows
	for p := range 4 {
		from := max(p*part, longestRow)
		differ := func(lag int) (sum int64) {
			for k := range rowGlances {
				t := from + k*(p*part+part-from)/rowGlances
				sum += abs(int64(x[t*channels+c]) - int64(x[(t-lag)*channels+c]))
			}
			return sum
		}
		usual, n := 0.0, 0.0
		for lag := shortestRow; lag <= longestRow; lag += usualEach {
			usual, n = usual+float64(differ(lag)), n+1
		}
		kept := alive[:0]
		for _, lag := range alive {
			if d := differ(lag); float64(d)*n < rowLikeness*usual {
				kept = append(kept, lag)
				same = same && d == 0
			}
		}
		if alive = kept; len(alive) == 0 {
			return false
		}
	}
	return !same
}
