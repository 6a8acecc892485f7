// Package rig makes a real block device with real read errors, for tests: a
// file served by FUSE from a process of its own, with a loop device on top.
package rig

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// sectorSize is that of the device, in bytes.
const sectorSize = 512

// environment names the variable that makes a process the server.
const environment = "BOOTGRAFT_RIG"

// Faults says what is wrong with the drive.
type Faults struct {
	Bad       []disk.Span                   // never readable
	Heals     map[disk.Sector]int           // not readable so many times, then good
	Slow      map[disk.Sector]time.Duration // readable, after a while
	Hangs     []disk.Sector                 // a read of them does not return
	GoneAfter int                           // reads after which the drive is gone; 0: never
	SwapAfter int                           // reads after which the file Other answers in its place; 0: never
	Other     string
}

// config is what the server is told.
type config struct {
	Faults
	Backing, Mount, Log string
}

// Access is one request that reached the drive.
type Access struct {
	disk.Span
	Write bool
}

// Rig is a drive that can fail.
type Rig struct {
	Device string // /dev/loopN
	t      testing.TB
	log    string
	server *exec.Cmd
	hangs  []disk.Sector

	backing string
}

// Main serves and does not return if this process is a server. A test binary
// that uses the package calls it first in TestMain.
func Main() {
	if text := os.Getenv(environment); text != "" {
		if err := serve(text); err != nil {
			fmt.Fprintln(os.Stderr, "rig:", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
}

// Start makes a device of the content of a file, whose size is in whole
// sectors. Everything is taken down when the test ends.
func Start(t testing.TB, backing string, f Faults) *Rig {
	t.Helper()
	need.FUSE(t)
	need.Tool(t, "losetup") // before anything is mounted
	dir := t.TempDir()
	c := config{Faults: f, Backing: backing, Mount: filepath.Join(dir, "m"), Log: filepath.Join(dir, "log")}
	if err := os.Mkdir(c.Mount, 0o755); err != nil {
		t.Fatal(err)
	}
	r := &Rig{t: t, log: c.Log, hangs: f.Hangs, backing: backing}
	r.serveIn(c)
	r.Device = need.Loop(t, filepath.Join(c.Mount, "disk"), "--direct-io=on")
	t.Cleanup(r.Vanish) // before the device is detached: a read that hangs would hold it
	return r
}

// serveIn starts the server and waits until the file is there.
func (r *Rig) serveIn(c config) {
	r.t.Helper()
	text, err := json.Marshal(c)
	if err != nil {
		r.t.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		r.t.Fatal(err)
	}
	r.server = exec.Command(self)
	r.server.Env = append(os.Environ(), environment+"="+string(text))
	r.server.Stderr = os.Stderr
	life, err := r.server.StdinPipe() // the server ends when this process does, however that ends
	if err != nil {
		r.t.Fatal(err)
	}
	if err := r.server.Start(); err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() {
		life.Close()
		r.Vanish()
		if err := need.Unmount(c.Mount); err != nil {
			r.t.Errorf("%s stays mounted: %v", c.Mount, err)
		}
	})
	for range 200 {
		if _, err := os.Stat(filepath.Join(c.Mount, "disk")); err == nil {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	r.t.Fatal("the server of the drive did not start")
}

// Shrink makes the drive smaller: sectors beyond the new end cannot be read any
// more, and the kernel knows.
func (r *Rig) Shrink(sectors disk.Sector) {
	r.t.Helper()
	defer need.NewDisk(r.t)() // to who waits for a disk, one of another size is new
	if err := os.Truncate(r.backing, int64(sectors)*sectorSize); err != nil {
		r.t.Fatal(err)
	}
	size := filepath.Join("/sys/block", filepath.Base(r.Device), "size")
	for range 250 { // the kernel may believe the old size of a file for a while
		if out, err := exec.Command("losetup", "-c", r.Device).CombinedOutput(); err != nil {
			r.t.Fatalf("losetup -c: %v: %s", err, out)
		}
		if text, err := os.ReadFile(size); err == nil && strings.TrimSpace(string(text)) == fmt.Sprint(sectors) {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	r.t.Fatalf("%s does not shrink", r.Device)
}

// WaitHang waits until a read has reached a sector that hangs.
func (r *Rig) WaitHang() {
	r.t.Helper()
	for range 1500 {
		for _, a := range r.Log() {
			for _, x := range r.hangs {
				if !a.Write && a.Holds(x) {
					return
				}
			}
		}
		time.Sleep(20 * time.Millisecond)
	}
	r.t.Fatal("nothing has read a sector that hangs")
}

// Vanish takes the drive away at once: every read fails from now on, also one
// that hangs.
func (r *Rig) Vanish() {
	r.server.Process.Kill()
	r.server.Wait()
}

// Log returns every request that reached the drive so far.
func (r *Rig) Log() []Access {
	r.t.Helper()
	f, err := os.Open(r.log)
	if err != nil {
		r.t.Fatal(err)
	}
	defer f.Close()
	var out []Access
	for s := bufio.NewScanner(f); s.Scan(); {
		kind, span, _ := strings.Cut(s.Text(), " ")
		from, count, _ := strings.Cut(span, " ")
		start, err := strconv.ParseInt(from, 10, 64)
		n, e := strconv.ParseInt(count, 10, 64)
		if err = errors.Join(err, e); err != nil {
			r.t.Fatalf("log line %q: %v", s.Text(), err)
		}
		out = append(out, Access{Span: disk.Span{Start: disk.Sector(start), Count: disk.Sector(n)}, Write: kind == "W"})
	}
	return out
}
