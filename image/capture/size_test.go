package capture

import (
	"strings"
	"testing"

	"bootgraft/layout"
)

// mostOfASpot is how many bytes of record one lone bad sector may cost, all
// tries included: 100,000 of them make less than 60 MB then.
const mostOfASpot = 600

func TestTheRecordOfManyLoneBadSectorsStaysSmall(t *testing.T) {
	const sectors, every = 400_000, 2500
	var bad []layout.Span
	for x := layout.Sector(1234); x < sectors; x += every + x%97 {
		bad = append(bad, layout.Span{Start: x, Count: 1})
	}
	m := newMemory()
	r := runSim(t, newSim(sectors, bad...), m, Options{Looks: 1})
	if int(r.Missing.Sectors()) != len(bad) || len(r.Unread) > 0 {
		t.Fatalf("%d missing, want %d", r.Missing.Sectors(), len(bad))
	}
	text := m.files["image.record"].now
	blocks := sectors / 2048
	if most := len(recordOf()) + 110*blocks + mostOfASpot*len(bad); len(text) > most {
		verbs, bytes := map[string]int{}, map[string]int{}
		for line := range strings.Lines(string(text)) {
			v, _, _ := strings.Cut(line[9:], " ")
			verbs[v]++
			bytes[v] += len(line)
		}
		t.Errorf("%d bytes for %d spots, at most %d; lines %v of bytes %v", len(text), len(bad), most, verbs, bytes)
	}
	t.Logf("%d bytes for each spot", (len(text)-len(recordOf())-110*blocks)/len(bad))
}
