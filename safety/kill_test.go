//go:build unix

package safety

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
)

// The process is killed before each operation in turn. The target is old,
// absent or whole, and the same command with --replace ends the job.
func TestKillSweep(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: -short, and this test starts 60 processes")
	}
	for i, c := range sweepCases {
		t.Run(c.name, func(t *testing.T) {
			for at := 1; ; at++ {
				dir := t.TempDir()
				_, _, m := c.prepare(t, dir, 0, nil)
				cmd := exec.Command(os.Args[0], "-test.run=^TestKilledWriter$", "-test.count=1")
				cmd.Env = append(os.Environ(), "BOOTGRAFT_KILL="+fmt.Sprintf("%d %d", i, at), "BOOTGRAFT_KILL_DIR="+dir)
				out, err := cmd.CombinedOutput()
				path := filepath.Join(dir, "card.img")
				if err == nil {
					holds(t, path, m.file)
					only(t, dir, "card.img")
					return
				}
				var exit *exec.ExitError
				if !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
					t.Fatalf("the writer ended otherwise: %v\n%s", err, out)
				}
				checkKilled(t, c, path, m)
				again := write(t, path, m, Options{Replace: true, Hash: true})
				if again.SHA256 != sum(m.hashed) {
					t.Errorf("the second run wrote %s", again.SHA256)
				}
				holds(t, path, m.file)
				only(t, dir, "card.img")
			}
		})
	}
}

func checkKilled(t *testing.T, c sweepCase, path string, m *model) {
	t.Helper()
	got, err := os.ReadFile(path)
	whole := err == nil && sum(got) == sum(m.file)
	switch {
	case whole:
	case c.replace && string(got) == string(oldImage):
	case !c.replace && errors.Is(err, fs.ErrNotExist):
	case c.noLinks && err == nil && len(got) == 0: // the name was claimed, and no more
	default:
		t.Fatalf("the target is neither old nor new: %d bytes, %v", len(got), err)
	}
}

// TestKilledWriter is the process that TestKillSweep kills.
func TestKilledWriter(t *testing.T) {
	dir := os.Getenv("BOOTGRAFT_KILL_DIR")
	if dir == "" {
		return // run by TestKillSweep only
	}
	var i, at int
	if _, err := fmt.Sscan(os.Getenv("BOOTGRAFT_KILL"), &i, &at); err != nil {
		t.Fatal(err)
	}
	w, _, _ := sweepCases[i].prepare(t, dir, at, func() error {
		syscall.Kill(os.Getpid(), syscall.SIGKILL)
		select {}
	})
	if _, err := w.run(context.Background()); err != nil {
		t.Fatal(err)
	}
}
