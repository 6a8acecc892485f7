package sound

// Pictures of 8 bits a dot read like sound of 8 bits: what tells them apart is that a dot
// is like the one a row above it, all over the picture. A tone repeats too, but no music
// repeats after the same number of samples for the length of a window.
const (
	shortestRow = 64       // samples
	longestRow  = 1024     // a window holds four parts of more than that
	rowGlances  = 160      // places of a part that are looked at
	rowWindow   = 48 << 10 // samples of each channel
	rowWindows  = 8
	rowLikeness = 0.5 // of the usual difference is left between rows, at most
)

// rows tells whether most of a run looks like rows of a picture.
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
	return 2*hits > tried, err
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
	frames := len(x) / channels
	part := frames / 4
	var worst [longestRow + 1]float64
	for p := range 4 {
		from := p * part
		if p == 0 {
			from = longestRow
		}
		usual, n := 0.0, 0
		var sums [longestRow + 1]int64
		for lag := shortestRow; lag <= longestRow; lag++ {
			for k := range rowGlances {
				t := from + k*(p*part+part-from)/rowGlances
				sums[lag] += abs(int64(x[t*channels+c]) - int64(x[(t-lag)*channels+c]))
			}
			usual += float64(sums[lag])
			n++
		}
		if usual == 0 { // silence, which pictures do not have
			return false
		}
		for lag := shortestRow; lag <= longestRow; lag++ {
			worst[lag] = max(worst[lag], float64(sums[lag])*float64(n)/usual)
		}
	}
	for lag := shortestRow; lag <= longestRow; lag++ {
		if worst[lag] > 0 && worst[lag] < rowLikeness {
			return true
		}
	}
	return false
}
