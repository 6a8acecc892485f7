//go:build linux

package loaders

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"bootgraft/image/imagetest/need"
)

// Heads and Track are the geometry that the tables and volumes of the disks count in.
const (
	Heads = 16
	Track = 63
)

const sector = 512

// Form is what a disk looks like before a loader is installed on it.
type Form struct {
	FAT   int   // 12, 16 or 32; 0 is ext2
	Start int64 // of the volume, in sectors
	GPT   bool  // the table; else an MBR
	Rest  int64 // sectors that no entry has at the end
}

// Sectors returns the size of the disk: the smallest that its file system is made
// for, some cylinders more.
func (f Form) Sectors() int64 {
	if f.FAT == 32 { // at least 65,525 clusters of one sector
		return 120 * Heads * Track
	}
	return 60 * Heads * Track
}

// cluster returns the sectors of a cluster.
func (f Form) cluster() int64 {
	return map[int]int64{12: 32, 16: 4, 32: 1}[f.FAT]
}

// disk is an image in the making.
type disk struct {
	Form
	t      testing.TB
	folder string // for files that go into the volume
	path   string
	count  int64 // sectors of the volume
}

// newDisk makes a disk with an empty volume. With roomy the tables of a FAT volume
// have room for half as many clusters again.
func newDisk(t testing.TB, f Form, roomy bool) *disk {
	t.Helper()
	d := &disk{Form: f, t: t, folder: t.TempDir(), count: f.Sectors() - f.Start - f.Rest}
	if f.GPT {
		d.count -= 33
	}
	d.path = filepath.Join(d.folder, "old.img")
	if err := os.WriteFile(d.path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	laid := d.count
	if roomy {
		laid += laid / 2
	}
	d.resize((f.Start + laid + 2) * sector)
	if f.FAT != 0 {
		reserved := map[bool]string{true: "32", false: "1"}[f.FAT == 32]
		d.run("mkfs.fat", "-F", strconv.Itoa(f.FAT), "-s", strconv.FormatInt(f.cluster(), 10), "-a", "-R", reserved, "-g",
			fmt.Sprintf("%d/%d", Heads, Track), "-h", num(f.Start), "-i", "0BADCAFE", "--offset", num(f.Start), d.path,
			num(laid/2))
		d.sized()
	} else {
		d.run("mkfs.ext2", "-q", "-F", "-b", "1024", "-I", "128", "-O", "none", "-E", "offset="+num(f.Start*sector), d.path,
			num(d.count/2))
	}
	d.resize(f.Sectors() * sector)
	d.table()
	return d
}

func num(n int64) string { return strconv.FormatInt(n, 10) }

func (d *disk) resize(size int64) {
	d.t.Helper()
	if err := os.Truncate(d.path, size); err != nil {
		d.t.Fatal(err)
	}
}

// sized lets the boot sector count the sectors of the entry (Microsoft, FAT32 File
// System Specification 1.03: BPB_TotSec16, BPB_TotSec32).
func (d *disk) sized() {
	d.t.Helper()
	for at := range map[int64]bool{d.Start: true, d.Start + 6: d.FAT == 32} {
		if at != d.Start && d.FAT != 32 {
			continue
		}
		d.write(at*sector+19, le16(0))
		d.write(at*sector+32, le32(d.count))
	}
}

// table writes the table: one entry, which is active.
func (d *disk) table() {
	d.t.Helper()
	if d.GPT {
		d.tell("sfdisk", fmt.Sprintf("label: gpt\nlabel-id: 11111111-2222-3333-4444-555555555555\n"+
			"start=%d, size=%d, type=C12A7328-F81F-11D2-BA4B-00A0C93EC93B, uuid=66666666-7777-8888-9999-AAAAAAAAAAAA\n",
			d.Start, d.count), "-q", "--no-tell-kernel", d.path)
		return
	}
	kind := map[int]byte{0: 0x83, 12: 0x01, 16: 0x06, 32: 0x0c}[d.FAT]
	e := append([]byte{0x80}, tuple(d.Start)...)
	e = append(append(e, kind), tuple(d.Start+d.count-1)...)
	d.write(0x1b8, []byte{0x0d, 0xf0, 0xad, 0xba})
	d.write(0x1be, append(append(e, le32(d.Start)...), le32(d.count)...))
	d.write(0x1fe, []byte{0x55, 0xaa})
}

// tuple is a sector as head, sector, cylinder of a table.
func tuple(lba int64) []byte {
	c := lba / (Heads * Track)
	return []byte{byte(lba / Track % Heads), byte(lba%Track+1) | byte(c>>8)<<6, byte(c)}
}

func le16(n int64) []byte { return binary.LittleEndian.AppendUint16(nil, uint16(n)) }
func le32(n int64) []byte { return binary.LittleEndian.AppendUint32(nil, uint32(n)) }

func (d *disk) run(tool string, args ...string) []byte {
	d.t.Helper()
	return d.tell(tool, "", args...)
}

func (d *disk) tell(tool, said string, args ...string) []byte {
	d.t.Helper()
	c := exec.Command(need.Tool(d.t, tool), args...)
	c.Stdin = strings.NewReader(said)
	c.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1") // these volumes end off a track
	out, err := c.CombinedOutput()
	if err != nil {
		d.t.Fatalf("%s %v: %v\n%s", tool, args, err, out)
	}
	return out
}

// write puts bytes on the disk, at a place in bytes.
func (d *disk) write(at int64, b []byte) {
	d.t.Helper()
	f, err := os.OpenFile(d.path, os.O_WRONLY, 0)
	if err == nil {
		_, err = f.WriteAt(b, at)
		f.Close()
	}
	if err != nil {
		d.t.Fatal(err)
	}
}

func (d *disk) read(at int64, n int) []byte {
	d.t.Helper()
	f, err := os.Open(d.path)
	b := make([]byte, n)
	if err == nil {
		_, err = f.ReadAt(b, at)
		f.Close()
	}
	if err != nil {
		d.t.Fatal(err)
	}
	return b
}

// bootCode puts code before the table of sector 0.
func (d *disk) bootCode(b []byte) { d.write(0, b[:min(len(b), 440)]) }

// volume is the volume as mtools(1) name it.
func (d *disk) volume() string { return d.path + "@@" + num(d.Start*sector) }

// put writes a file into the volume; folders on the way to it are made.
func (d *disk) put(name string, content []byte) {
	d.t.Helper()
	from := filepath.Join(d.folder, "file")
	if err := os.WriteFile(from, content, 0o600); err != nil {
		d.t.Fatal(err)
	}
	parts := strings.Split(name, "/")
	var script strings.Builder
	for i := 1; i < len(parts); i++ {
		folder := strings.Join(parts[:i], "/")
		if d.FAT == 0 {
			fmt.Fprintf(&script, "mkdir /%s\n", folder)
		} else if exec.Command(need.Tool(d.t, "mdir"), "-i", d.volume(), "::/"+folder).Run() != nil {
			d.run("mmd", "-i", d.volume(), "::/"+folder)
		}
	}
	if d.FAT != 0 {
		d.run("mcopy", "-o", "-i", d.volume(), from, "::/"+name)
		return
	}
	fmt.Fprintf(&script, "write %s /%s\n", from, name)
	d.tell("debugfs", script.String(), "-w", d.ext())
}

// get returns a file of an ext2 volume.
func (d *disk) get(name string) []byte {
	d.t.Helper()
	to := filepath.Join(d.folder, "got")
	d.run("debugfs", "-R", "dump /"+name+" "+to, d.ext())
	b, err := os.ReadFile(to)
	if err != nil {
		d.t.Fatal(err)
	}
	return b
}

// ext is an ext2 volume as the tools of e2fsprogs name it.
func (d *disk) ext() string { return d.path + "?offset=" + num(d.Start*sector) }

func (d *disk) remove(name string) {
	d.t.Helper()
	if d.FAT != 0 {
		d.run("mdel", "-i", d.volume(), "::/"+name)
		return
	}
	d.run("debugfs", "-w", "-R", "rm /"+name, d.ext())
}

var runText = regexp.MustCompile(`<(\d+)(?:-(\d+))?>`)

// places returns every sector of a file, as mshowfat(1) or debugfs(8) tell them.
func (d *disk) places(name string) []int64 {
	d.t.Helper()
	var out []int64
	if d.FAT == 0 {
		var script strings.Builder
		for n := range int64(len(d.get(name))+1023) / 1024 { // "blocks" would tell those of its list too
			fmt.Fprintf(&script, "bmap /%s %d\n", name, n)
		}
		for _, line := range strings.Split(string(d.tell("debugfs", script.String(), d.ext())), "\n") {
			if n, err := strconv.ParseInt(strings.TrimSpace(line), 10, 64); err == nil {
				out = append(out, d.Start+2*n, d.Start+2*n+1)
			}
		}
		return out
	}
	for _, m := range runText.FindAllSubmatch(d.run("mshowfat", "-i", d.volume(), "::/"+name), -1) {
		first, _ := strconv.ParseInt(string(m[1]), 10, 64)
		last := first
		if len(m[2]) > 0 {
			last, _ = strconv.ParseInt(string(m[2]), 10, 64)
		}
		for c := first; c <= last; c++ {
			for s := range d.cluster() {
				out = append(out, d.data()+(c-2)*d.cluster()+s)
			}
		}
	}
	if len(out) == 0 {
		d.t.Fatalf("mshowfat finds no clusters of %s", name)
	}
	return out
}

// data returns the sector of cluster 2 (FAT32 File System Specification 1.03,
// FirstDataSector).
func (d *disk) data() int64 {
	b := d.read(d.Start*sector, sector)
	u16 := func(at int) int64 { return int64(binary.LittleEndian.Uint16(b[at:])) }
	table := u16(22)
	if table == 0 {
		table = int64(binary.LittleEndian.Uint32(b[36:]))
	}
	return d.Start + u16(14) + int64(b[16])*table + u16(17)*32/sector
}

// songs puts some files into the volume that no loader wants.
func (d *disk) songs() {
	rng := rand.NewChaCha8([32]byte{14})
	for i := range 4 {
		b := make([]byte, 700*sector)
		rng.Read(b)
		d.put(fmt.Sprintf("SONGS/TAKE%d.WAV", i), b)
	}
}

// filler takes up the volume but for its last part, so that what is put into it
// next lies behind the end of a smaller card.
func (d *disk) filler() {
	d.put("FILLER", bytes.Repeat([]byte{0xe5}, int(d.count*86/100-2800)*sector))
}
