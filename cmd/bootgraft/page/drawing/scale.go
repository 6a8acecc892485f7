package drawing

import "bootgraft/image/disk"

const (
	barWidth  = 768.0 // of the larger disk, in pixels of a page of 1,000
	leastBar  = 0.5   // part of that which the smaller disk takes at least
	vitalPart = 24.0  // what a device may need to start is never narrower
	leastPart = 4.0
	// leaves is how much wider than its share a part must be before it gets the mark
	// of a broken scale: by hand, what the eye cannot measure needs none.
	leaves = 1.5
)

// place is where a part is drawn.
type place struct {
	x, width float64
	broken   bool // wider than its share of the disk
}

// barWidths returns how long the two bars are, and whether their lengths tell the
// ratio of the disks. card is 0 if there is none.
func barWidths(drive, card disk.Sector) (d, c float64, toScale bool) {
	if card == 0 {
		return barWidth, 0, true
	}
	larger := float64(max(drive, card))
	share := func(n disk.Sector) float64 { return barWidth * max(float64(n)/larger, leastBar) }
	return share(drive), share(card), float64(min(drive, card)) >= leastBar*larger
}

// places lays the parts of a bar side by side: each gets its share of the width, but
// for those that would be too narrow; what these take, the others give.
func places(parts []Part, sectors disk.Sector, left, width float64) []place {
	least := make([]float64, len(parts))
	for i, p := range parts {
		least[i] = leastPart
		if p.Vital {
			least[i] = vitalPart
		}
	}
	fixed := make([]bool, len(parts))
	scale := 0.0
	for changed := true; changed; {
		changed = false
		room, rest := width, disk.Sector(0)
		for i, p := range parts {
			if fixed[i] {
				room -= least[i]
			} else {
				rest += p.Count
			}
		}
		if rest == 0 {
			break
		}
		scale = max(room, 0) / float64(rest)
		for i, p := range parts {
			if !fixed[i] && scale*float64(p.Count) < least[i] {
				fixed[i], changed = true, true
			}
		}
	}
	out := make([]place, len(parts))
	x := left
	for i, p := range parts {
		w := scale * float64(p.Count)
		if fixed[i] {
			w = least[i]
		}
		share := width * float64(p.Count) / float64(sectors)
		out[i] = place{x: x, width: w, broken: w > leaves*share}
		x += w
	}
	return out
}

// at returns where a sector is drawn.
func at(parts []Part, where []place, x disk.Sector) float64 {
	for i, p := range parts {
		if x < p.End() || i == len(parts)-1 {
			part := float64(x-p.Start) / float64(max(p.Count, 1))
			return where[i].x + where[i].width*min(max(part, 0), 1)
		}
	}
	return 0
}

// atEnd returns where the sector behind a span begins, in the part that holds the last
// one, and no nearer to its start than can be seen.
func atEnd(parts []Part, where []place, s disk.Span) float64 {
	end := 0.0
	for i, p := range parts {
		if p.Holds(s.End() - 1) {
			end = where[i].x + where[i].width*float64(s.End()-p.Start)/float64(p.Count)
		}
	}
	return max(end, at(parts, where, s.Start)+1)
}
