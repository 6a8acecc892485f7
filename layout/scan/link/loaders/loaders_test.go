package loaders

import (
	"testing"

	"bootgraft/image/imagetest/need"
)

// TestEveryLoaderStartsAtHome: on its own disk each loader finds what it starts,
// and none does when a byte of it, or the number, is another one.
func TestEveryLoaderStartsAtHome(t *testing.T) {
	step := 17
	if need.Long() {
		step = 1
	}
	all := Each(step, 0)
	if len(all)*step < 1000 {
		t.Fatalf("only %d loaders", len(all))
	}
	for _, l := range all {
		if !l.Starts(l.Disk) {
			t.Errorf("%s does not start at home", l.Shape)
			continue
		}
		b := make([]byte, 1)
		for _, at := range []int64{int64(l.Named)*Sector + 100, (int64(l.Named)+int64(l.Payload))*Sector - 1} {
			turn(t, l, b, at)
			if l.Starts(l.Disk) {
				t.Errorf("%s starts with a wrong byte at %d", l.Shape, at)
			}
			turn(t, l, b, at)
		}
		at := int64(l.Held)*Sector + int64(l.Byte)
		turn(t, l, b, at)
		if l.Starts(l.Disk) && l.Coding != CHS {
			t.Errorf("%s starts with a wrong number", l.Shape)
		}
	}
	t.Logf("%d loaders", len(all))
}

func turn(t *testing.T, l *Loader, b []byte, at int64) {
	t.Helper()
	if _, err := l.Disk.ReadAt(b, at); err != nil {
		t.Fatal(err)
	}
	b[0] ^= 0xFF
	if _, err := l.Disk.WriteAt(b, at); err != nil {
		t.Fatal(err)
	}
}
