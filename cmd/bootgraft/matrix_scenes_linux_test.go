package main

import (
	"bootgraft/image/imagetest/loaders"
	"bootgraft/image/imagetest/machine"
	"bootgraft/layout/plan/starts"
	"fmt"
	"slices"
	"strings"
)

// shape is a card for an old drive.
type shape struct {
	name  string
	roomy bool // the tables of the old volume have room for more clusters
	// size of the card in sectors, and what is asked of the plan
	args func(loaders.Install) (size int64, args []string)
}

// A card is a multiple of 8,192 sectors or of 2,048 (common practice, no source).
func smaller(i loaders.Install) int64 { return i.Sectors() * 5 / 6 / 2048 * 2048 }
func larger(i loaders.Install) int64  { return (i.Sectors()*4/3/8192 + 1) * 8192 }

func sized(size func(loaders.Install) int64, args ...string) func(loaders.Install) (int64, []string) {
	return func(i loaders.Install) (int64, []string) {
		if i.FAT == 0 {
			args = nil // no volume of ext2 is made larger or smaller
		}
		return size(i), args
	}
}

var shapes = []shape{
	{name: "smaller", args: sized(smaller, "--volume", "1:shrink")},
	{name: "smaller, whole cylinders", args: sized(func(i loaders.Install) int64 {
		return smaller(i)/(loaders.Heads*loaders.Track)*(loaders.Heads*loaders.Track) + 1008
	}, "--volume", "1:shrink")},
	{name: "larger", args: sized(larger)},
	{name: "larger, tail at the end", args: sized(larger, "--tail", "end")},
	{name: "grown, in its tables", roomy: true, args: sized(larger, "--volume", "1:grow")},
	{name: "grown, shifted", args: sized(larger, "--volume", "1:grow")},
	{name: "emptied", args: sized(smaller, "--volume", "1:shrink", "--empty-volume", "1")},
}

// fits tells whether a shape says something about a loader.
func (s shape) fits(i loaders.Install) bool {
	switch s.name {
	case "smaller, whole cylinders":
		return strings.Contains(i.Name, "chs")
	case "larger, tail at the end":
		return i.Rest > 0
	case "larger":
		return true
	}
	return i.FAT != 0
}

// scene is one line of the matrix.
type scene struct {
	loaders.Install
	where    loaders.Place
	shape    shape
	firmware machine.Firmware
}

func (s scene) name() string {
	name := fmt.Sprintf("%s / %s / %s", s.Name, s.where, s.shape.name)
	if s.firmware == machine.Bochs {
		name += " / second BIOS"
	}
	return name
}

// scenes are all lines, those of one old drive beside each other.
func scenes() (out []scene) {
	for _, i := range loaders.Installs() {
		for _, where := range i.Places() {
			for _, s := range shapes {
				if !s.fits(i) {
					continue
				}
				for _, firmware := range i.Firmwares() {
					out = append(out, scene{Install: i, where: where, shape: s, firmware: firmware})
				}
			}
		}
	}
	return out
}

// usual are the scenes of the run that everybody makes, of which golden is the table. The
// rule: of each loader the scene that shows most of what no scene before it showed, and
// then of all others each that still shows something new. So every loader, every machine,
// every card, every place of files, all that was ever said of a card, and every form of
// link that breaks are there once.
func usual(golden map[string][]string) map[string]bool {
	taken, shown := map[string]bool{}, map[string]bool{}
	take := func(s scene) {
		taken[s.name()] = true
		for _, f := range s.shows(golden) {
			shown[f] = true
		}
	}
	fresh := func(s scene) (n int) {
		for _, f := range s.shows(golden) {
			if !shown[f] {
				n++
			}
		}
		return n
	}
	byLoader := map[string][]scene{}
	for _, s := range scenes() {
		byLoader[s.Name] = append(byLoader[s.Name], s)
	}
	for _, i := range loaders.Installs() {
		take(slices.MaxFunc(byLoader[i.Name], func(a, b scene) int { return fresh(a) - fresh(b) }))
	}
	for _, s := range scenes() {
		if fresh(s) > 0 {
			take(s)
		}
	}
	return taken
}

// shows are the things of which the usual run has each once.
func (s scene) shows(golden map[string][]string) []string {
	out := []string{"machine " + string(s.firmware), "card " + s.shape.name, "place " + string(s.where)}
	if s.Firmware != machine.SeaBIOS {
		return out[:1] // these wait a minute before they give up: they start once
	}
	if row := golden[s.name()]; len(row) > 0 {
		out = append(out, "said "+row[0])
		if strings.Contains(row[0], string(starts.WillNot)) {
			out = append(out, "breaks "+s.form())
		}
	}
	return out
}

// form is the form of the links of a loader: of the invented ones their encoding, of others
// that of their family.
func (s scene) form() string {
	family, kind, _ := strings.Cut(s.Name, ", ")
	if slices.Contains(loaders.Encodings, kind) {
		return kind
	}
	return family
}
