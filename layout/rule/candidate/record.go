package candidate

import "math"

// Records are looked for in so much of each structure, in bytes, at distances
// of so many bytes, in so many structures.
const (
	recordSample  = 16 << 10
	recordLongest = 2048
	recordStarts  = 64
)

// records finds structures whose bytes repeat at a constant distance.
func (l *looker) records() error {
	tried := 0
	for _, s := range l.out.Structures {
		if s.Looks != lookData.String() && s.Looks != lookText.String() || tried >= recordStarts {
			continue
		}
		tried++
		var data []byte
		for x := s.Start; x < s.End() && len(data) < recordSample; x++ {
			b, ok, err := l.sector(x)
			if err != nil {
				return err
			}
			if !ok {
				break
			}
			data = append(data, b...)
		}
		if r, ok := period(data); ok && len(l.out.Records) < maxRecords {
			r.Span = s.Span
			l.out.Records = append(l.out.Records, r)
		}
	}
	return l.ctx.Err()
}

// period returns the distance at which most bytes of b repeat. Chance is
// bounded by the share that repeats at the other distances, which knows of
// zeros and other runs.
func period(b []byte) (Record, bool) {
	longest := min(recordLongest, len(b)/4)
	if longest < 16 {
		return Record{}, false
	}
	rate := make([]float64, longest+1)
	best := 0
	for p := 8; p <= longest; p++ {
		if p > 64 && p%2 != 0 {
			continue
		}
		same := 0
		for i := p; i < len(b); i++ {
			if b[i] == b[i-p] {
				same++
			}
		}
		rate[p] = float64(same) / float64(len(b)-p)
		if best == 0 || rate[p] > rate[best]+0.02 {
			best = p
		}
	}
	var count [256]int
	for _, c := range b {
		count[c]++
	}
	usual := equal(&count)
	for p := 8; p <= longest; p++ {
		if p%best != 0 && best%p != 0 {
			usual = max(usual, rate[p])
		}
	}
	if rate[best] < usual+0.1 {
		return Record{}, false
	}
	by := float64(longest*recordStarts) * beyond(float64(len(b)-best)/16, rate[best], usual)
	return Record{Bytes: best, Same: math.Round(rate[best]*100) / 100, ByChance: roundUp(by)}, by <= barRecord
}
