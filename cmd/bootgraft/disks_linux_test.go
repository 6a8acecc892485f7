package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/device"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// mounted makes a device with a file system that is mounted in the folder.
func (y *typist) mounted(folder string) (node string) {
	y.t.Helper()
	if err := os.WriteFile(y.path("ext.img"), make([]byte, 8<<20), 0o600); err != nil {
		y.t.Fatal(err)
	}
	if err := os.Mkdir(folder, 0o755); err != nil {
		y.t.Fatal(err)
	}
	y.tool("mkfs.ext4", "-q", "-F", y.path("ext.img"))
	node = y.attach(y.path("ext.img"))
	need.Mount(y.t, node, folder)
	return node
}

func (y *typist) tool(name string, args ...string) {
	y.t.Helper()
	if out, err := exec.Command(need.Tool(y.t, name), args...).CombinedOutput(); err != nil {
		y.t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
}

// The list names a disk with its folder, in both commands and both forms, and
// a mounted one is looked at from outside and not tested.
func TestDisksAreListed(t *testing.T) {
	t.Parallel()
	need.Root(t)
	y := newTypist(t)
	folder := y.path("stick")
	node := y.mounted(folder)
	for _, verb := range []string{"survey", "card"} {
		said, _ := y.types(talk.ExitDone, verb)
		y.says(said, node+" ")
		y.says(said, "mounted on "+folder)
		said, _ = y.types(talk.ExitDone, verb, "--json")
		var all document.Disks
		if err := json.Unmarshal([]byte(said), &all); err != nil {
			t.Fatal(err)
		}
		checkListed(t, all, node, folder)
	}
	said, _ := y.types(talk.ExitDone, "card", node)
	y.says(said, "mounted on "+folder)
	y.says(said, "not read while it is mounted")
	said, _ = y.types(talk.ExitDone, "card", node, "--json")
	y.says(said, `"on_card": null`)
	for _, test := range []string{device.Quick, device.Full} {
		_, said = y.types(talk.ExitRefused, "card", node, "--write-test", test, "--device")
		y.says(said, string(disk.TargetMounted))
	}
}

func checkListed(t *testing.T, all document.Disks, node, folder string) {
	t.Helper()
	for _, d := range all.Disks {
		if d.Node != node {
			continue
		}
		if d.Sectors != 16_384 || d.SectorSize != 512 || d.Bytes != 8<<20 || d.Bus != "loop" || d.Since == nil || len(d.System) > 0 ||
			len(d.Mounts) != 1 || d.Mounts[0] != folder {
			t.Errorf("%+v", d)
		}
		return
	}
	t.Errorf("%s is not listed: %+v", node, all)
}

// Who may not open a card is told the very line to type; the list needs no
// right.
func TestCardWithoutPermission(t *testing.T) {
	t.Parallel()
	need.Root(t)
	setpriv := need.Tool(t, "setpriv")
	y := newTypist(t)
	y.invent("card.raw", 21)
	node := y.attach(y.path("card.raw"))
	y.open()
	for _, c := range []struct {
		args []string
		want int
		says string
	}{
		{[]string{"card", node}, talk.ExitRefused, "sudo bootgraft card " + node + "\n"},
		{[]string{"card", node, "--write-test", "quick", "--device", "--receipt", "a receipt"}, talk.ExitRefused, "sudo bootgraft card " + node + " --write-test quick --device --receipt 'a receipt'\n"},
		{[]string{"survey", node}, talk.ExitFailed, "sudo bootgraft survey " + node + "\n"},
		{[]string{"card"}, talk.ExitDone, node},
	} {
		cmd := exec.Command(setpriv, append([]string{"--reuid", "65534", "--clear-groups", y.bin}, c.args...)...)
		cmd.Dir, cmd.Env = y.dir, y.sudoers()
		out, _ := cmd.CombinedOutput()
		if got := cmd.ProcessState.ExitCode(); got != c.want {
			t.Errorf("%v ended with %d, want %d\n%s", c.args, got, c.want, out)
		}
		y.says(string(out), c.says)
	}
}

// open lets every user reach the program and its folder.
func (y *typist) open() {
	y.t.Helper()
	for _, dir := range []string{y.dir, filepath.Dir(y.bin)} {
		for ; dir != os.TempDir() && dir != "/"; dir = filepath.Dir(dir) {
			if err := os.Chmod(dir, 0o755); err != nil {
				y.t.Fatal(err)
			}
		}
	}
}

// waits starts a command that waits for a disk, lets disks come, and returns
// how it ends.
func (y *typist) waits(come func(), args ...string) (code int, said string) {
	y.t.Helper()
	c := y.command(args...)
	var out bytes.Buffer
	c.Stdout, c.Stderr = &out, &out
	need.Ends(y.t, c)
	time.Sleep(500 * time.Millisecond)
	come()
	late := time.AfterFunc(20*time.Second, func() { c.Process.Kill() })
	defer late.Stop()
	c.Wait()
	return c.ProcessState.ExitCode(), out.String()
}

// The disk that is plugged in next is the one that is meant, by every command
// that looks or tests.
func TestNextDisk(t *testing.T) {
	need.Root(t)
	need.OnlyDisk(t)
	for i, c := range []struct {
		args []string
		says []string
	}{
		{[]string{"card", "next"}, []string{"Put the card in now", "16,384 sectors", "--write-test quick --device"}},
		{[]string{"survey", "next"}, []string{"Plug the drive in now", "short look", "16,384 sectors"}},
		{[]string{"card", "next", "--write-test", "quick", "--device"}, []string{"Put the card in now", "NOTHING HAS BEEN WRITTEN YET", "bootgraft card /dev/loop"}},
	} {
		t.Run(strings.Join(c.args, " "), func(t *testing.T) {
			y := newTypist(t)
			y.invent("disk", uint64(30+i))
			code, said := y.waits(func() { y.attach(y.path("disk")) }, c.args...)
			if code != talk.ExitDone {
				t.Fatalf("it ended with %d\n%s", code, said)
			}
			for _, want := range c.says {
				y.says(said, want)
			}
		})
	}
}

// Two new disks are refused, by name.
func TestTwoNewDisks(t *testing.T) {
	need.Root(t)
	need.OnlyDisk(t)
	y := newTypist(t)
	y.invent("one", 41)
	y.invent("two", 42)
	for _, verb := range []string{"card", "survey"} {
		var nodes []string
		code, said := y.waits(func() { nodes = append(nodes, y.attach(y.path("one")), y.attach(y.path("two"))) }, verb, "next")
		if code != talk.ExitRefused {
			t.Fatalf("%s next ended with %d\n%s", verb, code, said)
		}
		for _, want := range append(nodes, "refusing to choose") {
			y.says(said, want)
		}
	}
}
