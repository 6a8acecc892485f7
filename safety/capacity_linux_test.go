package safety

import (
	"bytes"
	"testing"

	"bootgraft/safety/receipt"
)

// The quick test and the full one on a real, honest block device (loop(4)).
func TestCapacityOfLoopDevice(t *testing.T) {
	b := newBench(t)
	node := b.card()
	target := b.target(node)
	before := fingerprint(t, node)
	c, err := permitFor(t, target, testRequest(t, receipt.QuickTest, loopSectors, sector)).TestQuick(t.Context())
	do(t, err)
	if c.Trick != Honest || !bytes.Equal(before, fingerprint(t, node)) {
		t.Errorf("%+v, or its bytes changed", c)
	}
	req := testRequest(t, receipt.FullTest, loopSectors, sector)
	req.KeepAll = true
	c, err = permitFor(t, target, req).TestFull(t.Context())
	do(t, err)
	if c.Trick != Honest || bytes.Equal(before, fingerprint(t, node)) {
		t.Errorf("%+v, or nothing was written", c)
	}
	do(t, undo(target, req.Receipt))
	if !bytes.Equal(before, fingerprint(t, node)) {
		t.Error("the undo did not bring its bytes back")
	}
}
