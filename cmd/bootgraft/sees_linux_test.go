package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"reflect"
	"slices"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/layouttest/disks"
	"bootgraft/layout/volume/fat"
)

// TestDeviceSees: what a device sees of a card that was planned for it is, byte for
// byte, a card of exactly that size; what lies behind it is left as it was, but for its
// end. Planned for the size of the original it is the original.
func TestDeviceSees(t *testing.T) {
	t.Parallel()
	const card, own = 30_000, 20_160
	y := newTypist(t)
	d := imagetest.New(own, 512)
	volume := disk.Span{Start: 63, Count: 19_089}
	disks.MBR(d, disks.Entry{Span: volume, Type: 6, Active: true})
	disks.FAT(d, volume, fat.FAT16, 100_000, 200_000)
	disks.Noise(d, disk.Span{Start: own - 40, Count: 40}, 1)
	b := make([]byte, d.Size())
	if _, err := d.ReadAt(b, 0); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(y.path("old.img"), b, 0o600); err != nil {
		t.Fatal(err)
	}
	bytesOf := func(name string) []byte {
		b, err := os.ReadFile(y.path(name))
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for _, sees := range []struct {
		name    string
		sectors int64
	}{{"24000s", 24_000}, {"20160s", own}, {"19600s", 19_600}} {
		y.types(talk.ExitDone, "plan", "old.img", "--size", "30000s", "--device-sees", sees.name, "-o", "seen.plan", "--replace")
		y.types(talk.ExitDone, "write", "seen.plan", "seen.img", "--replace")
		y.types(talk.ExitDone, "verify", "seen.plan", "seen.img")
		y.types(talk.ExitDone, "plan", "old.img", "--size", sees.name, "-o", "exact.plan", "--replace")
		y.types(talk.ExitDone, "write", "exact.plan", "exact.img", "--replace")
		seen, exact := bytesOf("seen.img"), bytesOf("exact.img")
		if len(seen) != card*512 || !bytes.Equal(seen[:sees.sectors*512], exact) {
			t.Errorf("%s: what the device sees is not a card of that size", sees.name)
		}
		y.asSeen("seen.plan", "exact.plan", exact)
		if sees.sectors == own && !bytes.Equal(exact, bytesOf("old.img")) {
			t.Error("planned for the size of the original it is not the original")
		}
	}
	said, _ := y.types(talk.ExitDone, "plan", "old.img", "--size", "30000s", "--device-sees", "24000s")
	y.says(said, "device-sees-fewer (sector 24,000)")
	said, _ = y.types(talk.ExitRefused, "plan", "old.img", "--size", "30000s", "--device-sees", "30001s", "--json")
	var no document.Refused
	if err := json.Unmarshal([]byte(said), &no); err != nil {
		t.Fatal(err)
	}
	if !slices.ContainsFunc(no.Why, func(f document.Finding) bool { return f.Code == disk.DeviceSeesMore }) {
		t.Errorf("%s", said)
	}
	_, said = y.types(talk.ExitRefused, "plan", "old.img", "--size", "30000s", "--device-sees", "2000s")
	t.Log(said)
	_, said = y.types(talk.ExitUsage, "plan", "old.img", "--size", "30000s", "--device-sees", "16GB")
	y.says(said, "exact number")
}

// asSeen wants that the planned card is judged, and shown to others, as what the device
// sees of it: as exact, the card of just that size.
func (y *typist) asSeen(seen, exact string, want []byte) {
	y.t.Helper()
	judged := func(plan string) *document.Starts {
		said, _ := y.types(talk.ExitDone, "starts", plan, "--json")
		var r document.Starts
		if err := json.Unmarshal([]byte(said), &r); err != nil {
			y.t.Fatal(err)
		}
		return &r
	}
	if a, b := judged(seen), judged(exact); !reflect.DeepEqual(a, b) {
		y.t.Errorf("of what the device sees it is said %+v, of a card of that size %+v", a, b)
	}
	ended := y.serves(seen)
	if out, err := exec.Command(need.Tool(y.t, "nbdcopy"), y.nbd(), y.path("shown")).CombinedOutput(); err != nil {
		y.t.Fatalf("%v: %s", err, out)
	}
	var r document.Serve
	if err := json.Unmarshal([]byte(ended()), &r); err != nil {
		y.t.Fatal(err)
	}
	got, err := os.ReadFile(y.path("shown"))
	if err != nil || !bytes.Equal(got, want) || r.Card != 30_000 {
		y.t.Errorf("a machine is shown %d bytes of a card of %d sectors, %v", len(got), r.Card, err)
	}
	if err := os.Remove(y.path("shown")); err != nil {
		y.t.Fatal(err)
	}
}
