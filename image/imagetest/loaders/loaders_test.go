//go:build linux

package loaders

import (
	"testing"

	"bootgraft/image/imagetest/machine"
	"bootgraft/image/imagetest/need"
)

// TestEveryLoaderStarts: a disk that does not start by itself proves nothing about a
// card made of it.
func TestEveryLoaderStarts(t *testing.T) {
	if testing.Short() {
		t.Skip("starts many machines")
	}
	for _, i := range Installs() {
		places, firmwares := i.Places(), i.Firmwares()
		if !need.Long() {
			places, firmwares = places[len(places)-1:], firmwares[:1]
		}
		for _, where := range places {
			t.Run(i.Name+", "+string(where), func(t *testing.T) {
				t.Parallel()
				path := i.Make(t, where, false)
				for _, firmware := range firmwares {
					if said, ok := i.Machine(firmware, i.Sectors()).Starts(t, machine.Line(t, path), i.Mark()); !ok {
						t.Errorf("%s: it says %q", firmware, said)
					}
				}
			})
		}
	}
}
