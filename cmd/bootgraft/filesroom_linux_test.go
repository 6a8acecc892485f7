package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/layouttest/disks"
)

// takes are the files of a small FAT volume, in the order in which mcopy lays them down.
var takes = []struct {
	name string
	size int
}{{"A.WAV", 60_000}, {"BIG.WAV", 900_000}, {"C.WAV", 50_000}, {"LAST.TXT", 300}}

// fatOfTakes makes an image of a volume with those files.
func (y *typed) fatOfTakes(name string) {
	y.t.Helper()
	y.save(imagetest.New(65_536, 512), name)
	tool := func(name string, args ...string) {
		cmd := exec.Command(need.Tool(y.t, name), args...)
		cmd.Dir = y.dir
		if out, err := cmd.CombinedOutput(); err != nil {
			y.t.Fatalf("%s: %v\n%s", name, err, out)
		}
	}
	tool("mformat", "-i", name, "-T", "65536", "-h", "16", "-s", "63", "::")
	for i, f := range takes {
		if err := os.WriteFile(y.path(f.name), disks.Recording(f.size, uint64(i)), 0o644); err != nil {
			y.t.Fatal(err)
		}
		tool("mcopy", "-i", name, f.name, "::")
		if err := os.Rename(y.path(f.name), y.path(f.name+".was")); err != nil {
			y.t.Fatal(err)
		}
	}
}

// cameOver wants these files, each whole, and no other.
func (y *typed) cameOver(dir string, want ...string) {
	y.t.Helper()
	var got []string
	entries, err := os.ReadDir(y.path(dir))
	if err != nil {
		y.t.Fatal(err)
	}
	for _, e := range entries {
		got = append(got, e.Name())
		was, err1 := os.ReadFile(y.path(e.Name() + ".was"))
		is, err2 := os.ReadFile(filepath.Join(y.path(dir), e.Name()))
		if err1 != nil || err2 != nil || !bytes.Equal(was, is) {
			y.t.Errorf("%s is not what it was: %v %v", e.Name(), err1, err2)
		}
	}
	if !slices.Equal(got, want) {
		y.t.Errorf("%s holds %v, want %v", dir, got, want)
	}
}

// TestFilesThatDoNotFit: a file for which there is no room is left out and named, those
// behind it come over, and before the first one it is said how much room all of them need.
func TestFilesThatDoNotFit(t *testing.T) {
	need.Root(t)
	y := newTyped(t)
	y.fatOfTakes("old.img")
	small := func(name, options string) {
		t.Helper()
		if err := os.Mkdir(y.path(name), 0o755); err != nil {
			t.Fatal(err)
		}
		need.Mount(t, "none", y.path(name), "-t", "tmpfs", "-o", options)
	}
	small("full", "size=400k")
	answer, talk := y.run(6, "files", "old.img", "--to", "full/out")
	for _, want := range []string{"1,010,300 bytes", "409,600", "bootgraft files old.img --to FOLDER"} {
		if !strings.Contains(talk, want) {
			t.Errorf("before it begins %q is not said:\n%s", want, talk)
		}
	}
	for _, want := range []string{"3 files copied to full/out", "1 file, 900,000 bytes", "LEFT OUT", "bootgraft files old.img --to FOLDER"} {
		if !strings.Contains(answer, want) {
			t.Errorf("%q is not said:\n%s", want, answer)
		}
	}
	y.cameOver("full/out/volume-0", "A.WAV", "C.WAV", "LAST.TXT")
	list, err := os.ReadFile(y.path("full/out/" + page.DamagedName))
	if err != nil || !strings.Contains(string(list), "volume-0/BIG.WAV") || strings.Contains(string(list), "A.WAV") {
		t.Errorf("the list (%v):\n%s", err, list)
	}

	small("object", "size=400k")
	object, _ := y.run(6, "files", "old.img", "--to", "object/out", "--json")
	var got document.Files
	if err := json.Unmarshal([]byte(object), &got); err != nil {
		t.Fatal(err)
	}
	if got.Needed != 1_010_300 || got.Free == nil || *got.Free != 409_600 {
		t.Errorf("needed %d, free %v", got.Needed, got.Free)
	}
	for _, f := range got.Files {
		if left := f.Path == "BIG.WAV"; left != (f.LeftOut == "room") || left != (f.Written == "") {
			t.Errorf("%s: written %q, left out %q", f.Path, f.Written, f.LeftOut)
		}
	}

	// No room for the list either: what it would say is still said.
	small("brim", "size=116k")
	answer, _ = y.run(6, "files", "old.img", "--to", "brim/out")
	if !strings.Contains(answer, "there was no room for brim/out/"+page.DamagedName) {
		t.Errorf("said:\n%s", answer)
	}
	y.cameOver("brim/out/volume-0", "A.WAV", "C.WAV", "LAST.TXT")

	// A file system that counts its files: tmpfs(5), nr_inodes; its own folder, out and volume-0 are three.
	small("few", "nr_inodes=5")
	y.run(6, "files", "old.img", "--to", "few/out")
	y.cameOver("few/out/volume-0", "A.WAV", "BIG.WAV")

	// Not even a folder for them.
	small("none", "nr_inodes=2")
	if answer, _ := y.run(6, "files", "old.img", "--to", "none/out"); strings.Count(answer, "LEFT OUT") != 4 {
		t.Errorf("said:\n%s", answer)
	}
	y.cameOver("none/out")

	// Where nothing can be written it stops at once.
	small("closed", "size=4m,ro")
	if _, talk := y.run(1, "files", "old.img", "--to", "closed"); strings.Contains(talk, "LEFT OUT") {
		t.Errorf("said:\n%s", talk)
	}

	// Where all of it fits nothing is said of room.
	if _, talk := y.run(0, "files", "old.img", "--to", "all"); strings.Contains(talk, "left") {
		t.Errorf("said:\n%s", talk)
	}
	y.cameOver("all/volume-0", "A.WAV", "BIG.WAV", "C.WAV", "LAST.TXT")
}

// TestFilesTooLarge: a file that is larger than any that may be made there is left out.
// setrlimit(2) stands for a file system: both answer EFBIG.
func TestFilesTooLarge(t *testing.T) {
	y := newTyped(t)
	y.fatOfTakes("old.img")
	cmd := exec.Command(need.Tool(t, "prlimit"), "--fsize=100000", y.self, "files", "old.img", "--to", "out")
	cmd.Dir = y.dir
	out, _ := cmd.CombinedOutput()
	if got := cmd.ProcessState.ExitCode(); got != 6 {
		t.Fatalf("it ends with %d:\n%s", got, out)
	}
	if !strings.Contains(string(out), "no file of that size") {
		t.Errorf("said:\n%s", out)
	}
	y.cameOver("out/volume-0", "A.WAV", "C.WAV", "LAST.TXT")
}
