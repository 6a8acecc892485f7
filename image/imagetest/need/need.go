// Package need lets a test say what it needs of the machine. What is absent
// skips the test with a message; with BOOTGRAFT_REQUIRE_ALL=1, as continuous
// integration sets it, it fails the test instead.
package need

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

// Tool returns the path of a program that the test runs.
func Tool(t testing.TB, name string) string {
	t.Helper()
	if p, err := exec.LookPath(name); err == nil {
		return p
	}
	for _, dir := range []string{"/usr/sbin", "/sbin"} {
		if p := filepath.Join(dir, name); executable(p) {
			return p
		}
	}
	Absent(t, "the program "+name)
	return ""
}

func executable(path string) bool {
	st, err := os.Stat(path)
	return err == nil && st.Mode().IsRegular() && st.Mode()&0o111 != 0
}

// Root skips or fails a test that must run as root.
func Root(t testing.TB) {
	t.Helper()
	if os.Geteuid() != 0 {
		Absent(t, "root")
	}
}

// Ends starts a program that is stopped, at the latest, when the test ends: a test
// that fails before it has waited leaves nothing running. One that hangs in the
// kernel ends later: when what it waits for is taken down.
func Ends(t testing.TB, c *exec.Cmd) {
	t.Helper()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if c.ProcessState != nil {
			return
		}
		c.Process.Kill()
		ended := make(chan struct{})
		go func() { c.Wait(); close(ended) }()
		select {
		case <-ended:
		case <-time.After(5 * time.Second):
		}
	})
}

// Absent skips the test because of what is missing, or fails it where every
// skip is a failure.
func Absent(t testing.TB, what string) {
	t.Helper()
	if os.Getenv("BOOTGRAFT_REQUIRE_ALL") == "1" {
		t.Fatalf("this test needs %s, and nothing may be skipped here", what)
	}
	t.Skipf("skipped: this test needs %s", what)
}

// Long tells whether the long random suites are asked for.
func Long() bool { return os.Getenv("BOOTGRAFT_LONG") == "1" }

// Seeds returns the seeds of a random suite: few by default, many in the long
// run, the same in every run.
func Seeds(few, many int) []int64 {
	n := few
	if Long() {
		n = many
	}
	out := make([]int64, n)
	for i := range out {
		out[i] = int64(i + 1)
	}
	return out
}

// Failer is a test, or a script, that can fail.
type Failer interface {
	Fatalf(format string, args ...any)
}

// Condition is for scripts, which ask whether something is there: its absence is
// an error where every skip is a failure.
func Condition(what string, present bool) (bool, error) {
	if !present && os.Getenv("BOOTGRAFT_REQUIRE_ALL") == "1" {
		return false, fmt.Errorf("this script needs %s, and nothing may be skipped here", what)
	}
	return present, nil
}

// Kernel returns the folder of an unpacked Linux kernel package for virtual machines:
// the one that BOOTGRAFT_PACKAGES names.
func Kernel(t testing.TB) string {
	t.Helper()
	dir := os.Getenv("BOOTGRAFT_PACKAGES")
	if found, _ := filepath.Glob(filepath.Join(dir, "boot", "vmlinuz-*")); dir == "" || len(found) != 1 {
		Absent(t, "a Linux kernel, unpacked in the folder that BOOTGRAFT_PACKAGES names (.ci/packages DIR does it)")
	}
	return dir
}

// Packaged returns a file of a Debian package that is not installed, but unpacked in
// the folder that BOOTGRAFT_PACKAGES names: loaders and firmware, which a machine is
// better not given to start from.
func Packaged(t testing.TB, pkg, path string) string {
	t.Helper()
	if dir := os.Getenv("BOOTGRAFT_PACKAGES"); dir != "" {
		if p := filepath.Join(dir, path); exists(p) {
			return p
		}
	}
	Absent(t, "/"+path+" of the package "+pkg+", unpacked in the folder that BOOTGRAFT_PACKAGES names (.ci/packages "+
		"DIR does it)")
	return ""
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}
