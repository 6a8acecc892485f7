package device

import (
	"fmt"
	"time"

	"bootgraft/image"
	"bootgraft/image/disk"
)

// leastText says how long it takes at least to write so many sectors and to read
// them back; nothing if that cannot be told.
func (w *work) leastText(n disk.Sector) string {
	v := readSpeed(w.target)
	if v <= 0 {
		return ""
	}
	bytes := 2 * float64(n) * float64(w.target.SectorSize())
	return fmt.Sprintf("At least %s: a little of the card was read at %s a second just now, and writing is "+
		"mostly slower than reading.",
		durationText(time.Duration(bytes/v*float64(time.Second))), disk.BytesText(int64(v)))
}

// readSpeed reads a little from the middle of the card and returns bytes a
// second; 0 if that cannot be told.
func readSpeed(src image.Source) float64 {
	const part, parts = 1 << 20, 8
	n := int64(src.SectorSize())
	at := src.Size() / 2 / n * n
	if at+part*parts > src.Size() {
		return 0
	}
	buf := make([]byte, part)
	began := time.Now()
	for i := range int64(parts) {
		if image.ReadFull(src, buf, at+i*part) != nil {
			return 0
		}
	}
	return part * parts / max(time.Since(began).Seconds(), 1e-6)
}

// durationText writes a time to the minute, or to the second if it is short.
func durationText(d time.Duration) string {
	if d < 2*time.Minute {
		return disk.Counted(max(1, int64(d.Seconds())), "second")
	}
	if d < 2*time.Hour {
		return disk.Counted(int64(d.Minutes()), "minute")
	}
	return fmt.Sprintf("%d h %d min", int(d.Hours()), int(d.Minutes())%60)
}
