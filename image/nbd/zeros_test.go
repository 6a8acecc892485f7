package nbd

import (
	"testing"

	"bootgraft/image/imagetest"
)

// TestZerosOfMoreThan2GiB: a count that an int of 32 bits does not hold is zeros that do
// not fit into the memory, and neither none nor the end of the server (linux/386, arm).
func TestZerosOfMoreThan2GiB(t *testing.T) {
	t.Parallel()
	c := dial(t, served(t, newScratchView(newScratch(imagetest.New(1<<24, 512), 1<<20))))
	c.begins()
	for _, n := range []uint32{1<<31 + 512, 1<<32 - 512} {
		if e := c.asks(6, 0, n, nil); e != errNoSpace {
			t.Errorf("%d zeros: error %d", n, e)
		}
	}
	c.left()
}
