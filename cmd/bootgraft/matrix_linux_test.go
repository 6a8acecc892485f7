package main

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"bootgraft/image/imagetest/need"
	"bootgraft/layout/plan/starts"
)

// The matrix: real and invented loaders on old drives, planned onto cards, and
// started. What the program says of a card is held against what is seen.

var updateMatrix = flag.Bool("update-matrix", false, "write what was said and seen into testdata/starts/matrix.txt")

// outcome is what plan and starts said of a card, and what was seen.
type outcome struct {
	asked  string // by plan, or why there is none
	answer starts.Answer
	seen   string
}

func (o outcome) row() []string {
	if o.answer == "" {
		return []string{o.asked, o.seen}
	}
	return []string{o.asked + "; " + string(o.answer), o.seen}
}

const (
	seenStarts = "starts"
	seenNot    = "does not start"
	seenNoCard = "no card"
)

// TestMatrix: no card of which nothing is said fails to start, and no card that starts
// is refused for its loader. The judges are SeaBIOS, the BIOS of Bochs, TianoCore and
// Das U-Boot, in QEMU, and the loaders are those of others or know nothing of a plan.
func TestMatrix(t *testing.T) {
	if testing.Short() {
		t.Skip("starts many machines")
	}
	t.Parallel()
	golden := readTable(t, "../../testdata/starts/matrix.txt")
	chosen := usual(golden)
	known := readTable(t, "../../testdata/starts/deviations.txt")
	var mu sync.Mutex
	got := map[string]outcome{}
	all := scenes()
	t.Run("scenes", func(t *testing.T) {
		for len(all) > 0 {
			n := 1
			for n < len(all) && all[n].Name == all[0].Name && all[n].where == all[0].where {
				n++
			}
			drive := all[:n]
			all = all[n:]
			if !need.Long() {
				drive = slices.DeleteFunc(slices.Clone(drive), func(s scene) bool { return !chosen[s.name()] })
			}
			if len(drive) == 0 {
				continue
			}
			t.Run(drive[0].Name+" "+string(drive[0].where), func(t *testing.T) {
				t.Parallel()
				p := newPlayer(t)
				for _, s := range drive {
					o := p.plays(s)
					mu.Lock()
					got[s.name()] = o
					mu.Unlock()
					t.Logf("%s | %s", s.name(), strings.Join(o.row(), " | "))
				}
			})
		}
	})
	if t.Failed() {
		return
	}
	for name, o := range got {
		o.judged(t, name, golden[name], known[name])
	}
	if *updateMatrix {
		for name, o := range got {
			golden[name] = o.row()
		}
		writeTable(t, "../../testdata/starts/matrix.txt", golden)
	}
}

// judged holds an outcome against its line of the table and what is known to deviate.
func (o outcome) judged(t *testing.T, name string, golden, known []string) {
	t.Helper()
	want := strings.Join(golden, " | ")
	if now := strings.Join(o.row(), " | "); now != want && !*updateMatrix {
		t.Errorf("%s: %s\nthe table has: %s", name, now, want)
	}
	kind := o.deviates()
	switch {
	case kind == "" && known != nil:
		t.Errorf("%s is no deviation any more (%s): take it from the list", name, strings.Join(o.row(), " | "))
	case kind != "" && known == nil:
		t.Errorf("%s: %s: %s", name, kind, strings.Join(o.row(), " | "))
	case kind != "" && known[0] != kind:
		t.Errorf("%s deviates otherwise than the list says: %s", name, kind)
	}
}

// deviates says how what was said and what was seen part, if they do.
func (o outcome) deviates() string {
	switch {
	case o.asked == askedNothing && o.answer == starts.NothingFound && o.seen == seenNot:
		return "silent"
	case (o.asked != askedNothing || o.answer == starts.WillNot) && o.seen == seenStarts:
		return "over-asked"
	}
	return ""
}

// readTable reads lines of a name and what is said of it, parted by " | ".
func readTable(t *testing.T, path string) map[string][]string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]string{}
	for line := range strings.Lines(string(b)) {
		if line = strings.TrimSpace(line); line == "" || line[0] == '#' {
			continue
		}
		f := strings.Split(line, " | ")
		for i := range f {
			f[i] = strings.TrimSpace(f[i])
		}
		out[f[0]] = f[1:]
	}
	return out
}

const tableHead = `# What the program said of planned cards, and what was seen when they were started:
# old drive / where its loader's files lie / card | said | seen
# Written by: BOOTGRAFT_LONG=1 go test ./cmd/bootgraft -run TestMatrix -update-matrix
`

func writeTable(t *testing.T, path string, table map[string][]string) {
	t.Helper()
	var b strings.Builder
	b.WriteString(tableHead)
	for _, s := range scenes() { // one that is none any more goes
		if row, ok := table[s.name()]; ok {
			fmt.Fprintf(&b, "%-60s | %s\n", s.name(), strings.Join(row, " | "))
		}
	}
	if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
		t.Fatal(err)
	}
}
