package capture

import (
	"bytes"
	"context"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

const killEnvironment = "BOOTGRAFT_CAPTURE_INTO"

// killDrive is the same drive in the test and in the process that is killed.
func killDrive() *simDrive {
	return newSim(60_000, randomFaults(rand.New(rand.NewPCG(11, 11)), 60_000)...)
}

// TestKilledProcess is the process that is killed: it does nothing by itself.
func TestKilledProcess(t *testing.T) {
	img := os.Getenv(killEnvironment)
	if img == "" {
		return
	}
	d := killDrive()
	d.onRead = func(disk.Span, bool) { time.Sleep(200 * time.Microsecond) }
	if _, err := Run(context.Background(), d, Target{Storage: Disk{Dir: filepath.Dir(img)}, Image: img}, Options{Looks: 2, Time: d.simTime}, nil, nil); err != nil {
		t.Fatal(err)
	}
}

// A process that is killed at any moment leaves a pair of files with which the
// next one goes on.
func TestKillAtAnyMomentThenOn(t *testing.T) {
	kills := len(seeds(12, 300))
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 1))
	img := filepath.Join(t.TempDir(), "image")
	for n := range kills {
		if n%20 == 0 { // each capture gets so many
			os.Remove(img)
			os.Remove(img + record.Suffix)
		}
		c := exec.Command(self, "-test.run=^TestKilledProcess$")
		c.Env = append(os.Environ(), killEnvironment+"="+img)
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(rng.IntN(200)) * time.Millisecond)
		c.Process.Kill()
		c.Wait()
	}
	d := killDrive()
	r, err := Run(context.Background(), d, Target{Storage: Disk{Dir: filepath.Dir(img)}, Image: img}, Options{Looks: 2, Time: d.simTime}, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(r.Missing, d.badSpans()) || len(r.Unread) > 0 {
		t.Fatalf("missing %v, want %v, unread %v", r.Missing, d.badSpans(), r.Unread)
	}
	now, err := os.ReadFile(img)
	if err != nil {
		t.Fatal(err)
	}
	whole := newMemory()
	want := runSim(t, killDrive(), whole, Options{Looks: 2})
	if len(want.Missing) == 0 || !bytes.Equal(now, whole.files["image"].now) {
		t.Error("the image is not that of a run that was not killed")
	}
}
