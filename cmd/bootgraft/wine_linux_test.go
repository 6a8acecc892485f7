//go:build wine

package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/capture"
	"bootgraft/image/capture/rig"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// The tests of this file run the program for Windows under Wine, where loop devices stand
// for physical drives; .ci/wine prepares that, and names here the program that runs it.

// onWindows is somebody who types on Windows.
func onWindows(t *testing.T) *typist {
	t.Helper()
	bin := os.Getenv("BOOTGRAFT_WINE")
	if bin == "" || os.Getenv("WINEPREFIX") == "" {
		t.Fatal("this is run by .ci/wine")
	}
	return &typist{t: t, bin: bin, dir: t.TempDir()}
}

// drives counts the physical drives; Wine has made the first ones for itself.
var drives = 20

// physical makes a device a physical drive until the test ends or pulls it, and returns
// its name.
func physical(t *testing.T, node string) (name string, pull func()) {
	t.Helper()
	drives++
	link := filepath.Join(os.Getenv("WINEPREFIX"), "dosdevices", fmt.Sprintf("physicaldrive%d", drives))
	if err := os.Symlink(node, link); err != nil {
		t.Fatal(err)
	}
	pull = func() { os.Remove(link) }
	t.Cleanup(pull)
	return fmt.Sprintf(`\\.\PhysicalDrive%d`, drives), pull
}

func haveSame(t *testing.T, a, b string) {
	t.Helper()
	if err := sameBytes(a, b); err != nil {
		t.Errorf("%s and %s: %v", a, b, err)
	}
}

func digest(t *testing.T, path string) [32]byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return sha256.Sum256(b)
}

// typable finds that nobody is sent to a line that this system does not know, or that
// ends with "cards are written on Linux only".
func (y *typist) typable(page string) {
	y.t.Helper()
	if strings.Contains(page, "sudo") || strings.Contains(page, "--device") {
		y.t.Errorf("a line that leads nowhere here:\n%s", page)
	}
}

// The whole job with a drive and a card: the drive is surveyed and captured, a card is
// planned and made as a file, the card that somebody wrote of it is verified and looked
// at. What is read is compared with the file below the loop device; nothing is written.
func TestWindowsReadsDrives(t *testing.T) {
	y := onWindows(t)
	if err := saveDemoDrive(y.path("drive.raw")); err != nil {
		t.Fatal(err)
	}
	before := digest(t, y.path("drive.raw"))
	drive, _ := physical(t, need.Loop(t, y.path("drive.raw")))
	out, told := y.types(0, "survey", drive)
	y.says(out, "524,160 sectors")
	y.says(out, `fat32 "SONGS"`)
	y.typable(out)
	y.says(told, "its end was found by reading: 524,160 sectors of 512 bytes")
	out, _ = y.types(0, "capture", drive, "old.img")
	y.says(out, "524,160 sectors of 524,160 read")
	haveSame(t, y.path("old.img"), y.path("drive.raw"))
	y.types(0, "capture", `//./physicaldrive`+drive[len(`\\.\PhysicalDrive`):], "again.img", "--only", "boot")
	y.types(0, "kit", "make", drive, "-o", "device.kit")
	if after := digest(t, y.path("drive.raw")); after != before {
		t.Error("the drive was written to")
	}

	out, _ = y.types(0, "plan", "old.img", "--size", "614400s", "-o", "card.plan")
	y.typable(out)
	y.types(0, "write", "card.plan", "card.img")
	y.types(0, "verify", "card.plan", "card.img")
	node := need.Loop(t, y.path("card.img"))
	card, _ := physical(t, node)
	out, _ = y.types(0, "verify", "card.plan", card)
	y.says(out, "Every compared sector is as planned.")
	out, _ = y.types(0, "card", card)
	y.says(out, "614,400 sectors of 512 bytes")
	y.typable(out)
	out, _ = y.types(0, "files", card, "--accept", "live-source", "--brief")
	y.says(out, "29 files")

	// Cards are not written here, and that leads to no change of this one.
	before = digest(t, y.path("card.img"))
	for _, c := range []struct {
		says string
		args []string
	}{
		{"nothing was written", []string{"write", "card.plan", card, "--device"}},
		{"it is a block device, not a file", []string{"write", "card.plan", card}},
		{"nothing was written", []string{"card", card, "--write-test", "quick", "--device"}},
	} {
		_, told = y.types(3, c.args...)
		y.says(told, c.says)
	}
	if digest(t, y.path("card.img")) != before {
		t.Error("the card was written to")
	}

	f, err := os.OpenFile(node, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = f.WriteAt(bytes.Repeat([]byte{0x5A}, 4096), 63*512)
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	out, _ = y.types(5, "verify", "card.plan", card)
	y.says(out, "63")
}

// A disk whose last sectors lie anywhere has the size that its file has.
func TestWindowsFindsTheEnd(t *testing.T) {
	y := onWindows(t)
	for _, sectors := range []int64{1, 63, 1000, 4095, 65537} {
		name := y.path(fmt.Sprint(sectors))
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Truncate(name, sectors*512); err != nil {
			t.Fatal(err)
		}
		drive, _ := physical(t, need.Loop(t, name))
		_, told := y.types(0, "survey", drive)
		y.says(told, "found by reading: "+disk.Counted(sectors, "sector")+" of 512 bytes")
	}
}

// Bad sectors end as they do on Linux: all others are read, and the missing list is exact.
func TestWindowsMeetsBadSectors(t *testing.T) {
	y := onWindows(t)
	content := y.invent("drive", 1)
	// Wine reads through a cache of pages of 4 KiB, of which none comes without the others.
	bad := []disk.Span{{Start: 5000, Count: 8}, {Start: 9000, Count: 8}}
	r := rig.Start(t, y.path("drive"), rig.Faults{Bad: bad})
	drive, _ := physical(t, r.Device)
	out, _ := y.types(6, "capture", drive, "old.img", "--json")
	var got document.Capture
	if err := json.Unmarshal([]byte(out), &got); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(got.Missing, bad) || len(got.Unread)+len(got.Unstable) > 0 {
		t.Errorf("missing %v, unread %v, unstable %v", got.Missing, got.Unread, got.Unstable)
	}
	img, err := os.ReadFile(y.path("old.img"))
	if err != nil {
		t.Fatal(err)
	}
	for x := range disk.Sector(len(content) / 512) {
		if slices.ContainsFunc(bad, func(s disk.Span) bool { return s.Holds(x) }) {
			continue
		}
		if !bytes.Equal(img[x*512:(x+1)*512], content[x*512:(x+1)*512]) {
			t.Fatalf("sector %d is not what the drive gave", x)
		}
	}
}

// What is typed in the place of a whole disk, and is none.
func TestWindowsBadInput(t *testing.T) {
	y := onWindows(t)
	if err := os.WriteFile(y.path("empty"), nil, 0o600); err != nil { // as a reader without a card
		t.Fatal(err)
	}
	y.invent("drive", 2)
	reader, _ := physical(t, y.path("empty"))
	drive, _ := physical(t, need.Loop(t, y.path("drive")))
	for _, c := range []struct {
		code int
		says string
		args []string
	}{
		{2, "give the whole disk", []string{"survey", "C:"}},
		{2, "give the whole disk", []string{"capture", `C:\`, "x.img"}},
		{2, "give the whole disk", []string{"capture", `\\.\C:`, "x.img"}},
		{3, "give the whole disk", []string{"card", `\\.\C:`}},
		{1, "there is no disk", []string{"survey", `\\.\PhysicalDrive19`}},
		{1, "there is no disk", []string{"capture", `\\.\PhysicalDrive19`, "x.img"}},
		{1, "no medium", []string{"survey", reader}},
		{3, "live-source", []string{"files", drive}},
		{3, "keeps for a device", []string{"capture", drive, "aux.img"}},
		{3, "keeps for a device", []string{"kit", "make", drive, "-o", "CON"}},
		{3, "there is no folder", []string{"capture", drive, `no such folder\x.img`}},
	} {
		_, told := y.types(c.code, c.args...)
		y.says(told, c.says)
	}
	if _, err := os.Stat(y.path("x.img")); err == nil {
		t.Error("something was written")
	}
	out, _ := y.types(0, "survey") // the disks of a Windows
	y.says(out, `\\.\PhysicalDrive0`)
}

// Names in other alphabets, and paths of more than 260 characters.
func TestWindowsNames(t *testing.T) {
	y := onWindows(t)
	if err := saveDemoDrive(y.path("drive.img")); err != nil {
		t.Fatal(err)
	}
	long := filepath.Join(y.dir, strings.Repeat("deep ", 20)+"1", strings.Repeat("long ", 20)+"2", strings.Repeat("far ", 20)+"3")
	if err := os.MkdirAll(long, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, folder := range []string{"старый диск – 古いディスク – ñandú", long} {
		path := folder
		if !filepath.IsAbs(folder) {
			if err := os.Mkdir(y.path(folder), 0o755); err != nil {
				t.Fatal(err)
			}
		} else {
			path = "Z:" + strings.ReplaceAll(folder, "/", `\`)
		}
		in := func(name string) string { return path + `\` + name }
		y.types(0, "capture", "drive.img", in("старый.img"))
		y.types(0, "plan", in("старый.img"), "--size", "614400s", "-o", in("карта.plan"))
		y.types(0, "write", in("карта.plan"), in("карта.img"))
		y.types(0, "verify", in("карта.plan"), in("карта.img"))
		out, _ := y.types(0, "files", in("карта.img"), "--to", in("файлы"), "--brief")
		y.says(out, "29 files")
	}
}

// Names that are devices on Windows are copied out as files.
func TestWindowsReservedNames(t *testing.T) {
	y := onWindows(t)
	tool := need.Tool(t, "mformat")
	run := func(name string, args ...string) {
		t.Helper()
		cmd := exec.Command(name, args...)
		cmd.Dir = y.dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s %v: %v: %s", name, args, err, out)
		}
	}
	if err := os.WriteFile(y.path("disk.img"), make([]byte, 1440<<10), 0o600); err != nil {
		t.Fatal(err)
	}
	run(tool, "-i", "disk.img", "-f", "1440", "::")
	// mtools refuses such names too: the files get others, which are changed on the disk.
	// A name has 8 and 3 letters (fatgen103, FAT Directory Structure).
	names := map[string]string{"CON     TXT": "COX.TXT", "AUX     WAV": "AUX1.WAV", "COM1    BIN": "COMA.BIN", "NUL        ": "NUX",
		"PLAIN   TXT": "PLAIN.TXT"}
	var want []string
	for name, stored := range names {
		want = append(want, stored)
		if err := os.WriteFile(y.path(stored), []byte("content of "+stored), 0o600); err != nil {
			t.Fatal(err)
		}
		run(need.Tool(t, "mcopy"), "-i", "disk.img", stored, "::")
		base, ext, _ := strings.Cut(stored, ".")
		b, err := os.ReadFile(y.path("disk.img"))
		if err != nil {
			t.Fatal(err)
		}
		old := fmt.Appendf(nil, "%-8s%-3s", base, ext)
		if bytes.Count(b, old) != 1 {
			t.Fatalf("%q is on the disk %d times", old, bytes.Count(b, old))
		}
		if err := os.WriteFile(y.path("disk.img"), bytes.Replace(b, old, []byte(name), 1), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	y.types(0, "files", "disk.img", "--to", "out")
	var found []string
	err := filepath.WalkDir(y.path("out"), func(path string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		b, err := os.ReadFile(path)
		if s, ok := strings.CutPrefix(string(b), "content of "); ok {
			found = append(found, s)
			base, _, _ := strings.Cut(filepath.Base(path), ".")
			if slices.Contains([]string{"CON", "AUX", "COM1", "NUL"}, strings.ToUpper(base)) {
				t.Errorf("%s was copied out as %s", s, filepath.Base(path))
			}
		}
		return err
	})
	slices.Sort(found)
	slices.Sort(want)
	if err != nil || !slices.Equal(found, want) {
		t.Errorf("found %v, want %v, %v", found, want, err)
	}
}

// Two runs never work on one capture; and when the drive goes away, the first one ends, and
// the same command goes on with the drive under another name.
func TestWindowsTwoRunsAndALostDrive(t *testing.T) {
	y := onWindows(t)
	y.invent("drive", 3)
	r := rig.Start(t, y.path("drive"), rig.Faults{Hangs: []disk.Sector{8000}})
	drive, pull := physical(t, r.Device)
	first := y.command("capture", drive, "old.img")
	var said bytes.Buffer
	first.Stdout, first.Stderr = &said, &said
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	// From here on the drive answers nobody: on some kernels not even who asks how large it is.
	for !slices.ContainsFunc(r.Log(), func(a rig.Access) bool { return a.Holds(8000) }) {
		time.Sleep(10 * time.Millisecond)
	}
	_, told := y.types(3, "capture", drive, "old.img")
	y.says(told, "another run of this program works on")
	pull()
	r.Vanish() // all reads fail from now on, the one that hangs too
	if first.Wait(); first.ProcessState.ExitCode() != talk.ExitStopped {
		t.Errorf("the first run ended with %v", first.ProcessState)
	}
	y.says(said.String(), page.StopTexts[capture.DriveGone])
	again, _ := physical(t, need.Loop(t, y.path("drive")))
	y.types(0, "capture", again, "old.img", "--retry-hung")
	haveSame(t, y.path("old.img"), y.path("drive"))
}
