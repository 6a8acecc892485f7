package diff

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/layout/rule/candidate"
)

// Reading is a number about the size of the disk, found in bytes that changed.
type Reading struct {
	Sector   disk.Sector
	Byte     int
	Width    int // bytes
	Encoding candidate.Encoding
	Value    uint64
	Meaning  string
	Also     []string // other meanings of the same number

	// Was is what the same bytes said before, if they were a number at all;
	// WasMeaning what that is of the card, WasDrive whether the drive that the
	// card was planned from has the same number by the same meaning.
	Was        uint64
	WasNumber  bool
	WasMeaning string
	WasDrive   bool

	Copied bool // what changed of it came from another sector

	// ByChance is how many readings as good as this one chance alone is
	// expected to give in all the bytes that changed.
	ByChance float64
}

// Proved tells whether the reading is more than chance gives.
func (r *Reading) Proved() bool { return r.ByChance <= bar }

// bar is how many readings chance alone is expected to add to those of one
// comparison that are called proved, at most: one in a hundred, by hand, no source.
const bar = 0.01

// The bounds of the search: sectors from either end of all that changed, and
// how many readings are shown that may be chance, if fewer than barWeak of
// them are expected. By hand, no source; ByChance counts what they let in.
const (
	maxReadEnd  = 128
	maxWeak     = 3
	maxBorders  = 6
	barWeak     = 0.2
	leastNumber = 32 // smaller ones are everywhere
)

// form is one encoding with all numbers that are looked for in it.
type form struct {
	*candidate.Form
	order   int
	chances *[256]float64
	list    []pattern
	byValue map[uint64][]int
	usual   []int     // of each value, its most usual meaning
	windows int       // places looked at in which some byte changed
	full    int       // those in which every byte did
	scores  []float64 // of list, sorted
	sums    []float64 // sums[i]: chance of those up to scores[i]
}

// pattern is one number written in a form.
type pattern struct {
	bytes []byte
	size  int // index into the sizes
	rank  int
	wide  bool // a narrower form of the same family holds the number: the rest is padding
}

// score weighs a chance by how usual the number is: an unusual one has to be
// less likely by chance.
func score(chance float64, rank int) float64 { return chance * math.Exp2(float64(2*rank)) }

// chancesOf returns upper bounds of how likely a byte that changed becomes a
// certain one of a number: blanks and small numbers are frequent. Only digits
// become digits in a text. Assumed, no source.
func chancesOf(e candidate.Encoding) *[256]float64 {
	var out [256]float64
	kind := strings.TrimRight(string(e), "0123456789")
	for c := range out {
		switch {
		case kind == "dec" || kind == "sdec":
			out[c] = 1.0 / 10
		case kind == "hex" || kind == "HEX":
			out[c] = 1.0 / 16
		case c == 0 || c == 0xFF:
			out[c] = 1.0 / 8
		case c < 16:
			out[c] = 1.0 / 32
		case kind == "bcd" || kind == "lebcd":
			out[c] = 1.0 / 100
		default:
			out[c] = 1.0 / 200
		}
	}
	return &out
}

// likely returns how likely the bytes are by chance where a byte changed. After
// one blank another costs nothing: they come in runs.
func likely(chances *[256]float64, b []byte, changed []bool) float64 {
	p := 1.0
	for i, c := range b {
		if (changed == nil || changed[i]) && (i == 0 || c != b[i-1] || c != 0 && c != '0' && c != ' ' && c != 0xFF) {
			p *= chances[c]
		}
	}
	return p
}

func (f *form) likely(b []byte, changed []bool) float64 { return likely(f.chances, b, changed) }

// formsOf writes the sizes in every encoding that is known.
func formsOf(sizes []candidate.Size) (out []*form) {
	narrowest := map[string]int{}
	family := func(e candidate.Encoding, v uint64) string {
		name, swap, _ := strings.Cut(strings.TrimPrefix(string(e), "s"), "-")
		return fmt.Sprint(strings.TrimRight(name, "0123456789"), swap, " ", v)
	}
	for i, e := range slices.Concat(candidate.Binary, candidate.Coded) {
		c, err := candidate.FormOf(e)
		if err != nil {
			panic(err) // they are the encodings of that package
		}
		f := &form{Form: c, order: i, chances: chancesOf(e), byValue: map[uint64][]int{}}
		for k, s := range sizes {
			b := make([]byte, f.Width)
			if s.Value < leastNumber || f.Encode(b, s.Value) != nil {
				continue
			}
			f.byValue[s.Value] = append(f.byValue[s.Value], len(f.list))
			f.list = append(f.list, pattern{bytes: b, size: k, rank: s.Rank})
			if n, held := narrowest[family(e, s.Value)]; !held || f.Width < n {
				narrowest[family(e, s.Value)] = f.Width
			}
		}
		f.sumUp()
		out = append(out, f)
	}
	for _, f := range out {
		for i := range f.list {
			f.list[i].wide = f.Width > narrowest[family(f.Encoding, sizes[f.list[i].size].Value)]
		}
	}
	return out
}

// sumUp prepares how many hits are expected where every byte changed. A number
// counts once, by its most usual meaning.
func (f *form) sumUp() {
	type one struct{ score, chance float64 }
	var all []one
	for _, same := range f.byValue {
		slices.SortStableFunc(same, func(a, b int) int { return cmp.Compare(f.list[a].rank, f.list[b].rank) })
		f.usual = append(f.usual, same[0])
		p := f.list[same[0]]
		chance := f.likely(p.bytes, nil)
		all = append(all, one{score(chance, p.rank), chance})
	}
	slices.SortFunc(all, func(a, b one) int { return cmp.Compare(a.score, b.score) })
	sum := 0.0
	for _, x := range all {
		sum += x.chance
		f.scores, f.sums = append(f.scores, x.score), append(f.sums, sum)
	}
}

// hit is a reading before it is known how many of its kind chance gives.
type hit struct {
	e      *end
	at     int
	f      *form
	same   []int // patterns of the value, the most usual first
	chance float64
	live   float64 // the chance of all numbers that the unchanged bytes leave open here
}

// tally adds up chances by their score, in steps of an eighth of a power of
// two: it says how many hits as good as one are expected.
type tally [1024]float64

func step(score float64) int { return min(max(0, int(-8*math.Log2(score))), len(tally{})-1) }

func (t *tally) add(score, chance float64) { t[step(score)] += chance }

func (t *tally) upTo(score float64) (sum float64) {
	for _, c := range t[step(score):] {
		sum += c
	}
	return sum
}

// numbers is the search for numbers.
type numbers struct {
	sizes, drive []candidate.Size // of the card; of the drive it was planned from, if that is known
	forms        []*form
	hits         []hit
	partly       tally // of windows in which not every byte changed
}

// readNumbers reads what changed in boot areas as numbers about the size of
// the disk, in every encoding.
func (w *work) readNumbers() {
	less := w.borders()
	n := &numbers{sizes: candidate.Sizes(w.out.Sectors, int(w.size), less)}
	if w.opt.Drive > 0 {
		n.drive = candidate.Sizes(w.opt.Drive, int(w.size), less)
	}
	n.forms = formsOf(n.sizes)
	for i := range w.ends {
		if i < maxReadEnd || i >= len(w.ends)-maxReadEnd {
			n.look(&w.ends[i])
		}
	}
	n.settle(w)
}

// borders lists how far regions begin from the nearer end of the disk: a device
// may count from there.
func (w *work) borders() (out []disk.Sector) {
	for _, r := range w.out.Regions {
		d := min(r.Start, w.out.Sectors-r.Start)
		if d > 1 && len(out) < maxBorders && !slices.Contains(out, d) {
			out = append(out, d)
		}
	}
	return out
}

// look reads one sector. One that was emptied holds no number.
func (n *numbers) look(e *end) {
	if uniform(string(e.is)) {
		return
	}
	changed := make([]bool, len(e.is))
	before := make([]int, len(e.is)+1) // changed bytes before each byte
	for i := range e.is {
		changed[i] = e.was[i] != e.is[i]
		before[i+1] = before[i]
		if changed[i] {
			before[i+1]++
		}
	}
	for _, f := range n.forms {
		for at := 0; at+f.Width <= len(e.is); at++ {
			switch before[at+f.Width] - before[at] {
			case 0:
				continue
			case f.Width:
				f.full++
			}
			f.windows++
			n.window(e, at, f, changed[at:at+f.Width], before[at+f.Width]-before[at] == f.Width)
		}
	}
}

// window reads one place in one encoding.
func (n *numbers) window(e *end, at int, f *form, changed []bool, full bool) {
	b := e.is[at : at+f.Width]
	found, live := -1, 0.0
	if full {
		if v, ok := f.Decode(b); ok && len(f.byValue[v]) > 0 {
			found, live = f.byValue[v][0], f.sums[len(f.sums)-1]
		}
	} else {
		for _, i := range f.usual {
			p := &f.list[i]
			if !open(p.bytes, b, changed) {
				continue
			}
			c := f.likely(p.bytes, changed)
			live += c
			if !p.wide || f.touchesPadding(p.bytes, changed) { // else a narrower form has counted it
				n.partly.add(score(c, p.rank), c)
			}
			if string(p.bytes) == string(b) {
				found = i
			}
		}
	}
	if found >= 0 && string(f.list[found].bytes) == string(b) && !filling(e.is, b) {
		same := f.byValue[n.sizes[f.list[found].size].Value]
		n.hits = append(n.hits, hit{e, at, f, same, f.likely(b, changed), live})
	}
}

// touchesPadding tells whether a byte changed that is padding of the number: a
// zero or blank beyond its highest digit, wherever that is in this form.
func (f *form) touchesPadding(b []byte, changed []bool) bool {
	pad := func(c byte) bool { return c == 0 || c == '0' || c == ' ' }
	switch f.Low() {
	case 0:
		for i, c := range b {
			if changed[i] && pad(c) {
				return true
			}
		}
	case -1: // the lowest byte first
		for i := len(b) - 1; i > 0 && pad(b[i]); i-- {
			if changed[i] {
				return true
			}
		}
	default:
		for i := 0; i < len(b) && pad(b[i]); i++ {
			if changed[i] {
				return true
			}
		}
	}
	return false
}

// open tells whether a number agrees with all bytes that did not change.
func open(p, b []byte, changed []bool) bool {
	for i := range p {
		if !changed[i] && p[i] != b[i] {
			return false
		}
	}
	return true
}

// filling tells whether p stands in b more than three times.
func filling(b, p []byte) bool { return strings.Count(string(b), string(p)) > 3 }

// expected returns how many numbers as good as a score chance gives in all
// that was looked at.
func (n *numbers) expected(score float64) (sum float64) {
	for _, f := range n.forms {
		if k, _ := slices.BinarySearch(f.scores, score*(1+1e-9)); k > 0 {
			sum += float64(f.full) * f.sums[k-1]
		}
	}
	return sum + n.partly.upTo(score)
}
