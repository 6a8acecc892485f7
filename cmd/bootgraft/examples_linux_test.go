package main

import (
	"bytes"
	"encoding/binary"
	"io"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// notHere are words of examples that are not typed here, and why.
var notHere = map[string]string{
	`\\.\PhysicalDrive2`: "a disk of Windows", "/dev/rdisk9": "a disk of macOS", "serve": "it ends when somebody says so",
	"demo": "it has a test of its own", "--pull": "a card that is pulled has a test of its own",
}

// TestExamplesRun: every line that the help of a verb tells to type is typed, and is done. The
// names of devices are those of block devices of this machine; all else is typed as it stands.
func TestExamplesRun(t *testing.T) {
	need.Root(t)
	master := newTypist(t)
	examplesFolder(master)
	eachCommand(rootCommand(&talk.UI{}, nil), func(c *cobra.Command) {
		if len(examplesOf(c)) == 0 {
			return
		}
		t.Run(c.Name(), func(t *testing.T) {
			t.Parallel()
			runExamples(t, master, c)
		})
	})
}

// runExamples types the examples of one verb in a folder of its own.
func runExamples(t *testing.T, master *typist, c *cobra.Command) {
	y := newTypist(t)
	y.links(master)
	if c.Name() == "verify" {
		y.types(0, "archive", "songbird-0412", "--plan", "card.plan")
		y.types(0, "archive", "card-archive", "--plan", "card.plan")
	}
	drive, card := "", "" // the devices, where one is asked for
	word := ""
	for _, args := range examplesOf(c) {
		if slices.ContainsFunc(args, func(a string) bool { return notHere[a] != "" }) {
			continue
		}
		y.links(master) // an example before may have made one of them anew
		for i, a := range args {
			switch {
			case (a == "next" || a == "/dev/sdX") && slices.Contains([]string{"card", "write", "undo"}, args[0]):
				if card == "" {
					card = y.attach(y.sparse("card.raw", 31_116_288))
					if args[0] == "undo" { // of a card without files, which nobody is asked about
						y.gone("card.plan")
						y.types(0, "plan", "optical.img", "--size", "31116288s", "-o", "card.plan")
						word := y.word("write", "card.plan", card, "--device", "--keep", "all")
						y.types(0, "write", "card.plan", card, "--device", "--keep", "all", "--confirm", word)
					}
				}
				args[i] = card
			case a == "next" || a == "/dev/sdX":
				if drive == "" {
					drive = y.attach(y.path("drive.raw"))
				}
				args[i] = drive
			case a == "WORD":
				args[i] = word
			case slices.Contains([]string{"-o", "--to", "--report", "--trace"}, a):
				y.gone(args[i+1], args[i+1]+".record", args[i+1]+".notes.txt", args[i+1]+".capture", args[i+1]+".capture.record",
					args[i+1]+".capture.notes.txt")
			}
		}
		if args[0] == "capture" && args[1] != "--merge" {
			y.gone(args[2], args[2]+".record", args[2]+".notes.txt")
		}
		switch {
		case args[0] == "archive":
			y.gone(args[1])
		case args[0] == "write" && !slices.Contains(args, "--device") && !slices.Contains(args, "--replace"):
			y.gone(args[2])
		}
		said, _ := y.types(talk.ExitDone, args...)
		if m := confirmWord.FindStringSubmatch(said); m != nil {
			word = m[1]
		}
	}
}

// links puts the files of another folder into this one, as they are there.
func (y *typist) links(from *typist) {
	y.t.Helper()
	all, err := filepath.Glob(from.path("*"))
	if err != nil {
		y.t.Fatal(err)
	}
	for _, path := range all {
		y.gone(filepath.Base(path))
		put := os.Link
		if filepath.Base(path) == "card.img" { // it is replaced, and no file of two names is
			put = copySparse
		}
		if err := put(path, y.path(filepath.Base(path))); err != nil {
			y.t.Fatal(err)
		}
	}
}

// examplesFolder makes what the examples speak of.
func examplesFolder(y *typist) {
	for i, name := range []string{"drive.raw", "good.img", "own.img", "other.raw"} {
		y.songs(name, uint32(i))
	}
	for i, name := range []string{"small.img", "large.img", "other.img"} {
		y.layoutOfItsOwn(name, []int64{19_640_881, 58_605_125, 39_070_083}[i], byte(i))
	}
	for _, name := range []string{"label.jpg", "pin1.jpg", "head.bin"} {
		if err := os.WriteFile(y.path(name), make([]byte, 512), 0o600); err != nil {
			y.t.Fatal(err)
		}
	}
	y.sparse("optical.img", 40_000)
	y.sparse("tail.bin", 131_072)
	y.types(0, "capture", "drive.raw", "old.img")
	y.types(0, "capture", "drive.raw", "a.img", "--skip", "5+2", "--skip", "100000+8")
	y.types(0, "capture", "drive.raw", "b.img", "--skip", "90000+8")
	y.types(0, "capture", "drive.raw", "later.img")
	y.types(0, "plan", "old.img", "--size", "31116288s", "-o", "card.plan")
	y.types(0, "write", "card.plan", "card.img")
	y.types(0, "write", "card.plan", "card-later.img")
	y.types(0, "compare", "small.img", "large.img", "other.img", "-o", "model.rules")
	y.types(0, "kit", "make", "old.img", "-o", "device.kit")
	y.types(0, "kit", "make", "other.raw", "-o", "other.kit")
	sector, err := os.ReadFile(y.path("drive.raw"))
	if err != nil {
		y.t.Fatal(err)
	}
	if err := os.WriteFile(y.path("first.bin"), sector[:512], 0o600); err != nil {
		y.t.Fatal(err)
	}
	for name, of := range map[string]string{"next.img": "card.img", "device.rules": "model.rules"} {
		if err := os.Link(y.path(of), y.path(name)); err != nil {
			y.t.Fatal(err)
		}
	}
}

// songs makes a drive with one FAT volume behind a gap of 8,192 sectors.
func (y *typist) songs(name string, id uint32) {
	y.t.Helper()
	const start, count = 8192, 140_000
	f, err := os.OpenFile(y.sparse(name, start+count+500), os.O_RDWR, 0)
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	v, err := format.New(io.NewOffsetWriter(f, start*512), format.Options{Sectors: count, Kind: fat.FAT32,
		SectorsPerCluster: 1, Hidden: start, Label: "SONGS", ID: id})
	if err != nil {
		y.t.Fatal(err)
	}
	body := bytes.Repeat([]byte("invented firmware "), 2000)
	if err := v.Add("FIRMWARE.BIN", bytes.NewReader(body), int64(len(body)), format.File{}); err != nil {
		y.t.Fatal(err)
	}
	if err := v.Close(); err != nil {
		y.t.Fatal(err)
	}
	mbr := make([]byte, 512) // UEFI Specification 1.02, tables 16-5 and 16-6
	binary.LittleEndian.PutUint32(mbr[440:], 0x5000+id)
	mbr[446+4] = 0x0C
	binary.LittleEndian.PutUint32(mbr[446+8:], start)
	binary.LittleEndian.PutUint32(mbr[446+12:], count)
	mbr[510], mbr[511] = 0x55, 0xAA
	if _, err := f.WriteAt(mbr, 0); err != nil {
		y.t.Fatal(err)
	}
}
