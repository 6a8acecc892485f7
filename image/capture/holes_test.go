package capture

import (
	"bytes"
	"context"
	"errors"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// What is blank on the drive takes no room in the image, by the word of du of
// the GNU coreutils, and is known all the same. To see that a hole is one already, it is
// not read.
func TestBlankStretchesAreHoles(t *testing.T) {
	du := need.Tool(t, "du")
	const sectors = 64 << 11 // 64 MiB
	d := imagetest.New(sectors, 512)
	for x := range disk.Sector(64) {
		d.Put(40_000+x, bytes.Repeat([]byte{byte(x + 1), 7}, 256))
	}
	dir := t.TempDir()
	img := filepath.Join(dir, "image")
	files := countingDisk{Disk{dir}, img, new(atomic.Int64)}
	r, err := Run(context.Background(), FileDrive{d}, Target{Storage: files, Image: img}, Options{Looks: 1, Hash: true}, nil, nil)
	if err != nil || r.Read != sectors {
		t.Fatalf("%v, %+v", err, r)
	}
	if n := files.read.Load(); n > 16<<20 {
		t.Errorf("%d bytes of the image were read", n)
	}
	out, err := exec.Command(du, "-k", img).Output()
	if err != nil {
		t.Fatal(err)
	}
	if kib, err := strconv.Atoi(strings.Fields(string(out))[0]); err != nil || kib > 1024 {
		t.Errorf("du says %s", out)
	}
	sum, err := exec.Command(need.Tool(t, "sha256sum"), img).Output()
	if err != nil || !strings.HasPrefix(string(sum), r.SHA256.String()) {
		t.Errorf("sha256sum says %s, the capture %v", sum, r.SHA256)
	}
	verifyClean(t, img, openCapture(t, img))
}

// Zeros that the drive answers where a run that was cut off, or a fill, left
// something else, are stored.
func TestZerosAreStoredOverWhatIsNotBlank(t *testing.T) {
	m := newMemory()
	f := &memFile{m: m, now: bytes.Repeat([]byte{9}, 4*holeBytes)}
	j := &journal{image: f, sectorSize: 512}
	b := make([]byte, 3*holeBytes+512)
	b[holeBytes] = 1
	if err := j.store(b, 512); err != nil {
		t.Fatal(err)
	}
	if want := append(bytes.Repeat([]byte{9}, 512), b...); !bytes.Equal(f.now[:len(want)], want) {
		t.Error("the image does not hold what was read")
	}
}

// What is left out takes no room.
func TestRoomIsNeededOnlyForWhatIsRead(t *testing.T) {
	run := func(free int64, o Options, a Advisor) (*Result, error) {
		d := newSim(30_000)
		m := newMemory()
		m.free = free
		tg := target
		tg.Storage = m
		o.Looks, o.Time = 1, d.simTime
		return Run(context.Background(), d, tg, o, a, nil)
	}
	skip := disk.Spans{{Start: 10_000, Count: 20_000}}
	if r, err := run(10_000*512, Options{Skip: skip}, nil); err != nil || r.Stop != Done {
		t.Errorf("with --skip: %v", err)
	}
	var se *SpaceError
	if _, err := run(10_000*512-1, Options{Skip: skip}, nil); !errors.As(err, &se) {
		t.Errorf("with --skip, a byte less: %v", err)
	}
	a := layoutAdvisor{[]Wish{{disk.Span{Start: 5000, Count: 1000}, Files}}}
	if r, err := run(1001*512, Options{SkipFree: true}, a); err != nil || r.Stop != Done || r.Read != 1001 {
		t.Errorf("without what no file uses: %v, %+v", err, r)
	}
	if r, err := run(999*512, Options{SkipFree: true}, a); err != nil || r.Stop != NoSpace {
		t.Errorf("without what no file uses, too little: %v, %+v", err, r)
	}
}

// The image is hashed when nothing is left to try, and not before.
func TestTheImageIsHashedWhenAllIsTried(t *testing.T) {
	d := newSim(400_000)
	if r := runSim(t, d, newMemory(), Options{OnlyBoot: true, Looks: 1, Hash: true}); r.Stop != Done || r.SHA256 != nil {
		t.Errorf("only the boot areas: %+v", r)
	}
	if r := runSim(t, newSim(20_000, disk.Span{Start: 5, Count: 1}), newMemory(), Options{Looks: 1, Hash: true}); r.SHA256 == nil {
		t.Error("all is tried, and nothing hashed")
	}
}
