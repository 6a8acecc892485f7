package candidate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// words are what the messages of old devices are made of. Read in the wrong
// byte order they are nothing.
var words = strings.Fields(`ACTIVE ADDRESS AUDIO AUTO BACKUP BANK BLOCK BOOT BUFFER BYTES CANCEL CAPACITY CHANNEL CHECK
CLUSTER CONTROL COPY COPYRIGHT CYLINDER DATA DATE DEVICE DIRECTORY DISC DISK DRIVE EMPTY ENTRY ERASE ERROR FAIL FILE
FIRMWARE FORMAT FREE FULL HARD HEAD INDEX INSERT INVALID INVENTED LABEL LOAD MAIN MASTER MEMORY MISSING MODE NAME
OPERATING PARTITION PATCH PLAY PLEASE PRESS PROGRAM READ READY RECORD RELEASE RESERVED RIGHTS SAMPLE SECTOR SERIAL
SETUP SIZE SONG START STOP STREAM SYSTEM TABLE TAIL TAKE TIME TRACK UNIT VERSION VOLUME WRITE`)

// wordsBy finds words by their first four letters.
var wordsBy = func() map[string][]string {
	out := map[string][]string{}
	for _, w := range words {
		out[w[:4]] = append(out[w[:4]], w)
	}
	return out
}()

// letters is how many letters a text of these devices is worth: 2^4.2, by the
// entropy of single letters of English (Shannon, Prediction and Entropy of
// Printed English, 1951: 4.14 bits).
const letters = 18

// headers stand at the first byte of a sector and show its byte order.
var headers = []string{"RIFF", "FORM", "\x7fELF", "EFI PART"}

// match is a word or header found in one byte order.
type match struct {
	sector disk.Sector
	order  int
	what   string
	header bool
}

// orderFinder gathers what shows byte orders.
type orderFinder struct {
	matches []match
	sectors int
	letters [3]int64           // in runs of four and more, by order
	known   [3]map[string]bool // runs of letters that were looked at already
}

const maxMatches = 16384

// look looks for words and headers in one sector as it reads in one order.
func (f *orderFinder) look(x disk.Sector, b []byte, order int, search bool) {
	if order == 0 {
		f.sectors++
	}
	for _, h := range headers {
		if string(b[:len(h)]) == h && len(f.matches) < maxMatches {
			f.matches = append(f.matches, match{x, order, h, true})
		}
	}
	if !search {
		return
	}
	runsOf(b, 4, &isLetter, func(start, end int) { f.matchRun(x, b[start:end], order) })
}

// matchRun looks for words in one run of letters; the same run counts once.
func (f *orderFinder) matchRun(x disk.Sector, b []byte, order int) {
	text := strings.ToUpper(string(b[:min(len(b), 64)]))
	if f.known[order] == nil {
		f.known[order] = map[string]bool{}
	}
	if f.known[order][text] || len(f.known[order]) >= maxMatches {
		return
	}
	f.known[order][text] = true
	f.letters[order] += int64(len(text))
	for i := 0; i+4 <= len(text); i++ {
		for _, w := range wordsBy[text[i:i+4]] {
			if strings.HasPrefix(text[i:], w) && len(f.matches) < maxMatches {
				f.matches = append(f.matches, match{x, order, w, false})
			}
		}
	}
}

// orders groups what was found into regions: neighbours that agree.
func (l *looker) orders(f *orderFinder) {
	slices.SortStableFunc(f.matches, func(a, b match) int { return cmp.Compare(a.sector, b.sector) })
	for i := 0; i < len(f.matches); {
		j := i
		for j < len(f.matches) && f.matches[j].order == f.matches[i].order &&
			l.area(f.matches[j].sector) == l.area(f.matches[i].sector) {
			j++
		}
		l.region(f, f.matches[i:j])
		i = j
	}
	for _, x := range l.out.Fields {
		l.byField(x)
	}
	slices.SortStableFunc(l.out.Orders, func(a, b OrderRegion) int { return cmp.Compare(a.Start, b.Start) })
	l.out.Orders = shorten(l.out.Orders, maxOrders, &l.out.Left)
}

func (l *looker) area(x disk.Sector) int {
	return slices.IndexFunc(l.areas, func(a Area) bool { return a.Holds(x) })
}

// region adds the sectors of a group if it is beyond chance: each different
// word of n letters is expected once in 18^n letters.
func (l *looker) region(f *orderFinder, group []match) {
	order := group[0].order
	by, what := 1.0, []string{}
	for _, h := range group {
		if slices.Contains(what, h.what) {
			continue
		}
		what = append(what, h.what)
		p := float64(f.letters[order]) * float64(len(words)) * math.Pow(letters, -float64(len(h.what)))
		if h.header {
			p = float64(f.sectors*len(headers)*len(orders)) * math.Pow(256, -float64(len(h.what)))
		}
		by *= min(1, p)
	}
	if by > barOrder {
		return
	}
	names := make([]string, 0, 8)
	for _, w := range what[:min(len(what), 8)] {
		names = append(names, fmt.Sprintf("%q", w))
	}
	evidence := fmt.Sprintf("%s read right in this order alone", strings.Join(names, ", "))
	l.out.Orders = append(l.out.Orders, OrderRegion{
		disk.Between(group[0].sector, group[len(group)-1].sector+1), orders[order].String(), []string{evidence}, roundUp(by),
	})
}

// byField takes a number in swapped words as evidence for its sector.
func (l *looker) byField(x layout.Field) {
	order := image.Plain
	switch {
	case strings.HasSuffix(x.Encoding, "-swap16"):
		order = image.Swap16
	case strings.HasSuffix(x.Encoding, "-swap32"):
		order = image.Swap32
	default:
		return
	}
	text := fmt.Sprintf("%d, a candidate for the %s, stands at byte %d as %s", x.Value, x.Meaning, x.Offset, x.Encoding)
	for i := range l.out.Orders {
		if r := &l.out.Orders[i]; r.Holds(x.Sector) {
			if r.Order == order.String() && len(r.Evidence) < 8 {
				r.Evidence = append(r.Evidence, text)
			}
			return
		}
	}
	l.out.Orders = append(l.out.Orders, OrderRegion{disk.Span{Start: x.Sector, Count: 1}, order.String(), []string{text},
		x.ByChance})
}
