package imagetest

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// Load returns the disk in a text file, as Parse reads it.
func Load(t testing.TB, name string) *Disk {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	d, err := Parse(f)
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return d
}

// Save writes src into a sparse file of the test's own and returns its path.
func Save(t testing.TB, src image.Source) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "disk.img")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(src.Size()); err != nil {
		t.Fatal(err)
	}
	for off := int64(0); ; {
		start, end := image.NextData(src, off)
		if start >= src.Size() {
			return name
		}
		part := io.NewSectionReader(src, start, end-start)
		if _, err := io.Copy(io.NewOffsetWriter(f, start), part); err != nil {
			t.Fatal(err)
		}
		off = end
	}
}

// blkidNames are the names under which blkid tells a script what it found.
var blkidNames = map[string]string{
	"ID_FS_TYPE":         "TYPE",
	"ID_FS_LABEL_ENC":    "LABEL",
	"ID_FS_UUID":         "UUID",
	"ID_PART_TABLE_TYPE": "PTTYPE",
}

// Blkid returns what blkid of util-linux finds out about a disk image by
// itself: TYPE, LABEL, UUID and PTTYPE. It is empty if that is nothing.
func Blkid(t testing.TB, name string) map[string]string {
	t.Helper()
	out, err := exec.Command(need.Tool(t, "blkid"), "-p", "-o", "udev", name).Output()
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 2) { // 2: nothing found
		t.Fatalf("blkid: %v\n%s", err, out)
	}
	found := map[string]string{}
	for sc := bufio.NewScanner(bytes.NewReader(out)); sc.Scan(); {
		k, v, _ := strings.Cut(sc.Text(), "=")
		if short, ok := blkidNames[k]; ok {
			found[short] = unescape(v)
		}
	}
	return found
}

// unescape turns \xNN into the byte NN.
func unescape(s string) string {
	var out []byte
	for len(s) > 0 {
		if v, err := strconv.ParseUint(s[min(2, len(s)):min(4, len(s))], 16, 8); err == nil && strings.HasPrefix(s, `\x`) {
			out, s = append(out, byte(v)), s[4:]
			continue
		}
		out, s = append(out, s[0]), s[1:]
	}
	return string(out)
}

// Slot is a partition as partx of util-linux lists it, in sectors of 512 bytes.
type Slot struct {
	Span disk.Span
	Type string
}

// Partx returns the partitions that partx finds on a disk image, in its order.
func Partx(t testing.TB, name string) []Slot {
	t.Helper()
	out, err := exec.Command(need.Tool(t, "partx"), "-g", "-o", "START,SECTORS,TYPE", "--show", name).CombinedOutput()
	if err != nil {
		t.Fatalf("partx: %v\n%s", err, out)
	}
	var slots []Slot
	for sc := bufio.NewScanner(bytes.NewReader(out)); sc.Scan(); {
		f := append(strings.Fields(sc.Text()), "", "", "")
		start, err1 := strconv.ParseInt(f[0], 10, 64)
		count, err2 := strconv.ParseInt(f[1], 10, 64)
		if err1 != nil || err2 != nil {
			t.Fatalf("partx wrote %q", sc.Text())
		}
		slots = append(slots, Slot{disk.Span{Start: disk.Sector(start), Count: disk.Sector(count)}, f[2]})
	}
	return slots
}
