package main

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/kit"
	"bootgraft/layout/layouttest/disks"
)

// outside runs a program that is not ours and must end well.
func (y *typist) outside(stdin, name string, args ...string) string {
	y.t.Helper()
	c := exec.Command(need.Tool(y.t, name), args...)
	c.Dir, c.Stdin = y.dir, strings.NewReader(stdin)
	c.Env = append(os.Environ(), "MTOOLS_SKIP_CHECK=1", "LC_ALL=C.UTF-8", "MTOOLSRC=/dev/null")
	out, err := c.CombinedOutput()
	if err != nil {
		y.t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return string(out)
}

// bytesOf returns sectors of an image; from below zero it counts from the end.
func (y *typist) bytesOf(name string, from, count int64) []byte {
	y.t.Helper()
	f, err := os.Open(y.path(name))
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	if from < 0 {
		st, err := f.Stat()
		if err != nil {
			y.t.Fatal(err)
		}
		from += st.Size() / 512
	}
	b := make([]byte, count*512)
	if _, err := f.ReadAt(b, from*512); err != nil {
		y.t.Fatal(err)
	}
	return b
}

// put writes noise that is never blank into sectors of an image.
func (y *typist) put(name string, from, count int64, seed uint64) {
	y.t.Helper()
	b := make([]byte, count*512)
	rng := rand.New(rand.NewPCG(seed, 3))
	for i := range b {
		b[i] = byte(1 + rng.IntN(254))
	}
	f, err := os.OpenFile(y.path(name), os.O_WRONLY, 0)
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteAt(b, from*512); err != nil {
		y.t.Fatal(err)
	}
}

const (
	kitDrive  = 300000 // sectors of the invented drive
	kitStart  = 2048   // of its volume
	kitVolume = 200000
	kitTail   = 40
)

// kitSource makes a drive with sfdisk, mkfs.fat and mtools, and with things in
// sectors that no table knows.
func (y *typist) kitSource(fat string) {
	y.t.Helper()
	if err := os.WriteFile(y.path("old.img"), nil, 0o600); err != nil {
		y.t.Fatal(err)
	}
	if err := os.Truncate(y.path("old.img"), kitDrive*512); err != nil {
		y.t.Fatal(err)
	}
	y.outside(fmt.Sprintf("label: dos\nlabel-id: 0x1badcafe\nstart=%d, size=%d, type=c, bootable\n", kitStart, kitVolume), "sfdisk", "-q", "old.img")
	args := append(strings.Fields(fat), "--offset", strconv.Itoa(kitStart), "-h", strconv.Itoa(kitStart), "-n", "HER MUSIC", "-i", "0badcafe", "old.img", strconv.Itoa(kitVolume/2))
	y.outside("", "mkfs.fat", args...)
	if err := os.WriteFile(y.path("NORA.TXT"), bytes.Repeat([]byte("a private song of hers. "), 5000), 0o600); err != nil {
		y.t.Fatal(err)
	}
	y.outside("", "mcopy", "-i", "old.img@@1M", "NORA.TXT", "::/NORA.TXT")
	y.put("old.img", 1, 99, 1)
	y.put("old.img", kitDrive-kitTail, kitTail, 2)
}

// A kit of a drive holds neither files nor names, and makes cards of any size that
// start with an empty volume: sfdisk, fsck.fat and mtools accept them, and the boot
// areas are those of the drive.
func TestKitMakesCardsThatOthersAccept(t *testing.T) {
	t.Parallel()
	for name, fat := range map[string]string{"FAT16": "-F 16 -s 8", "FAT32": "-F 32 -s 1", "FAT32, one table": "-F 32 -s 2 -f 1"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			y := newTypist(t)
			y.kitSource(fat)
			y.types(talk.ExitDone, "kit", "make", "old.img", "-o", "a.kit")
			b, err := os.ReadFile(y.path("a.kit"))
			if err != nil {
				t.Fatal(err)
			}
			for _, private := range []string{"private song", "NORA", "HER MUSIC"} {
				if bytes.Contains(b, []byte(private)) {
					t.Errorf("%q is in the kit", private)
				}
			}
			for _, sectors := range []int64{kitDrive, 350000, 160000} {
				y.kitCard(sectors)
			}
		})
	}
}

// kitCard makes a card of so many sectors from the kit and has it judged.
func (y *typist) kitCard(sectors int64) {
	t := y.t
	t.Helper()
	y.types(talk.ExitDone, "plan", "a.kit", "--size", fmt.Sprint(sectors, "s"), "--empty-volume", "1", "-o", "p", "--replace")
	y.types(talk.ExitDone, "write", "p", "card.img", "--replace")
	y.types(talk.ExitDone, "verify", "p", "card.img")
	if !bytes.Equal(y.bytesOf("card.img", 0, 1)[:446], y.bytesOf("old.img", 0, 1)[:446]) {
		t.Errorf("%d sectors: boot code or disk id differ", sectors)
	}
	if !bytes.Equal(y.bytesOf("card.img", 1, kitStart-1), y.bytesOf("old.img", 1, kitStart-1)) {
		t.Errorf("%d sectors: the gap before the volume differs", sectors)
	}
	if !bytes.Equal(y.bytesOf("card.img", -kitTail, kitTail), y.bytesOf("old.img", -kitTail, kitTail)) {
		t.Errorf("%d sectors: the tail differs", sectors)
	}
	table := y.outside("", "sfdisk", "-d", "card.img")
	y.says(table, "label-id: 0x1badcafe")
	y.says(table, "bootable")
	volume := int64(kitVolume)
	if sectors < kitStart+kitVolume+kitTail {
		volume = 0
		for _, f := range strings.FieldsFunc(table, func(r rune) bool { return r == ',' || r == '\n' }) {
			if n, ok := strings.CutPrefix(strings.ReplaceAll(f, " ", ""), "size="); ok {
				volume, _ = strconv.ParseInt(n, 10, 64)
			}
		}
	}
	if volume < 100000 || kitStart+volume > sectors-kitTail {
		t.Fatalf("%d sectors: a volume of %d:\n%s", sectors, volume, table)
	}
	card, err := image.Open(y.path("card.img"), 512)
	if err != nil {
		t.Fatal(err)
	}
	defer card.Close()
	inside := disk.Span{Start: kitStart, Count: disk.Sector(volume)}
	if err := saveSparse(image.NewWindow(card, inside), y.path("volume.img")); err != nil {
		t.Fatal(err)
	}
	y.says(y.outside("", "fsck.fat", "-n", "volume.img"), "0 files")
	y.says(y.outside("", "mlabel", "-s", "-i", "volume.img", "::"), "no label")
	y.outside("", "mcopy", "-i", "volume.img", "NORA.TXT", "::/FIRST.TXT") // the card takes recordings
	y.outside("", "fsck.fat", "-n", "volume.img")
}

// More than 256 MiB of boot areas is refused, with what takes the room, and nothing
// is written.
func TestKitTooLargeIsRefused(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	f, err := os.Create(y.path("old.img"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	block := bytes.Repeat([]byte("sound"), 1<<20)
	for range 54 {
		if _, err := f.Write(block[:5<<20]); err != nil {
			t.Fatal(err)
		}
	}
	_, said := y.types(talk.ExitRefused, "kit", "make", "old.img", "-o", "a.kit", "--head", "200MiB", "--tail", "70MiB")
	y.says(said, "a kit has at most")
	y.says(said, "head: 409,600 sectors")
	if _, err := os.Stat(y.path("a.kit")); err == nil {
		t.Error("a kit was written")
	}
	y.types(talk.ExitDone, "kit", "make", "old.img", "-o", "a.kit", "--head", "200MiB", "--tail", "70MiB", "--facts-only")
	y.types(talk.ExitDone, "kit", "make", "old.img", "-o", "b.kit", "--head", "1MiB", "--tail", "1MiB")
}

// What the page asks a stranger to type on Linux works as it stands there, on a
// real block device, and the two files make the kit that the drive itself makes.
func TestAskedCommandsMakeAKit(t *testing.T) {
	t.Parallel()
	need.Root(t)
	y := newTypist(t)
	y.kitSource("-F 16 -s 8")
	device := need.Loop(t, y.path("old.img"), "-r")
	page, _ := y.types(talk.ExitDone, "kit", "ask", "--head", "2MiB", "--tail", "1MiB")
	_, rest, _ := strings.Cut(page, "WITH LINUX")
	linux, _, _ := strings.Cut(rest, "WITH MACOS")
	var typed []string
	for _, line := range strings.Split(linux, "\n") {
		if command, ok := strings.CutPrefix(line, "    "); ok {
			typed = append(typed, strings.NewReplacer("sudo ", "", "/dev/sdX", device, "blockdev", need.Tool(t, "blockdev")).Replace(command))
		}
	}
	if len(typed) != 8 {
		t.Fatalf("%d commands:\n%s", len(typed), strings.Join(typed, "\n"))
	}
	said := y.outside("set -e\n"+strings.Join(typed, "\n"), "sh")
	y.says(said, fmt.Sprintf("512\n%d\n", kitDrive*512)) // block size and bytes, by blockdev
	y.says(said, fmt.Sprintf("\n%d\n", kitDrive))
	y.outside("gunzip head.bin.gz tail.bin.gz", "sh") // as whoever gets them does
	y.types(talk.ExitDone, "kit", "make", "--sectors", strconv.Itoa(kitDrive), "--part", "0s=head.bin", "--part", "end-2048s=tail.bin", "-o", "parts.kit")
	y.types(talk.ExitDone, "plan", "parts.kit", "--size", fmt.Sprint(kitDrive, "s"), "--empty-volume", "1", "--accept", "missing-in-boot-area", "-o", "p")
	y.types(talk.ExitIncomplete, "write", "p", "card.img") // between volume and tail nothing was sent
	for _, s := range [][2]int64{{0, kitStart}, {kitDrive - 2048, 2048}} {
		if !bytes.Equal(y.bytesOf("card.img", s[0], s[1]), y.bytesOf("old.img", s[0], s[1])) {
			t.Errorf("%d sectors from sector %d differ", s[1], s[0])
		}
	}
}

// What a drive failed to give stays known as such from kit to kit, and the program
// ends as it does when something is missing.
func TestKitSaysWhatIsMissing(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	span := func(start, count disk.Sector, state kit.State) kit.Span {
		return kit.Span{Span: disk.Span{Start: start, Count: count}, From: layout.FromStart, What: "head", State: state}
	}
	d := imagetest.New(1000, 512)
	disks.Noise(d, disk.Span{Count: 20}, 1)
	c := &kit.Contents{Source: d, Manifest: kit.Manifest{
		Sectors: 1000, SectorSize: 512, Drive: "BOREAL 20",
		Spans: []kit.Span{span(0, 20, kit.Stored), span(20, 3, kit.Missing), span(23, 977, kit.Blank)},
	}}
	f, err := os.Create(y.path("a.kit"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := kit.Write(f, c); err != nil {
		t.Fatal(err)
	}
	said, why := y.types(talk.ExitIncomplete, "kit", "make", "a.kit", "-o", "b.kit")
	y.says(why, "3 sectors of the boot areas could not be had")
	y.says(said, "Model:  BOREAL 20")
	y.says(said, "3  missing   head")
	y.types(talk.ExitDone, "kit", "show", "b.kit")
}
