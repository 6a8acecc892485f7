package main

import (
	"encoding/binary"
	"math/rand/v2"
	"os"
	"regexp"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/page/topic"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/imagetest/need"
)

// helpLine is a line of a help page that is typed.
var helpLine = regexp.MustCompile(`(?m)^ {5,}(?:sudo )?bootgraft (.*)$`)

// wordOfShell is one word of it: in double quotes, or without blanks.
var wordOfShell = regexp.MustCompile(`"[^"]*"|\S+`)

// TestHelpLinesRun: every line that the help pages tell to type is typed, in the folder and
// with the disks that the page is about, and is done: none is left out. The names of devices are
// those of a block device of this machine, and of a card with its number of sectors; all
// else is typed as it stands.
func TestHelpLinesRun(t *testing.T) {
	need.Root(t)
	for _, name := range topic.Names() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			text, _ := topic.Text(name)
			lines := helpLine.FindAllStringSubmatch(text, -1)
			prepare := helpFolders[name]
			if prepare == nil {
				if len(lines) > 0 {
					t.Fatalf("the page has %d lines to type, and nothing to type them on", len(lines))
				}
				return
			}
			y := newTypist(t)
			node := prepare(y)
			for _, m := range lines {
				line, _, _ := strings.Cut(m[1], "   ") // what it does stands behind
				args := wordOfShell.FindAllString(line, -1)
				for i, a := range args {
					switch a = strings.Trim(a, `"`); a {
					case "next", "/dev/sdX":
						a = node
					case "Ns":
						a = "614400s"
					}
					args[i] = a
					if i > 0 && args[i-1] == "-o" {
						y.gone(a, a+".record", a+".notes.txt") // the page says it twice, and nobody types both
					}
				}
				y.types(talk.ExitDone, args...)
			}
		})
	}
}

// gone takes files away.
func (y *typist) gone(names ...string) {
	y.t.Helper()
	for _, n := range names {
		if err := os.RemoveAll(y.path(n)); err != nil {
			y.t.Fatal(err)
		}
	}
}

// helpFolders make for each page what it speaks of, and return the device that is at hand.
var helpFolders = map[string]func(y *typist) (node string){
	"before":  func(y *typist) string { return y.attach(y.recorder("drive.raw")) },
	"reading": readingFolder,
	"cards": func(y *typist) string {
		y.recorder("old.img")
		return y.attach(y.sparse("card.raw", 39_070_081))
	},
	"unknown": func(y *typist) string {
		for i, x := range []struct {
			name    string
			sectors int64
		}{{"small.img", 19_640_881}, {"large.img", 58_605_125}, {"other.img", 39_070_083}} {
			y.layoutOfItsOwn(x.name, x.sectors, byte(i))
		}
		y.sparse("card-later.img", 31_116_288)
		return ""
	},
	"no-start": func(y *typist) string {
		y.layoutOfItsOwn("old.img", 524_160, 1)
		y.types(0, "plan", "old.img", "--size", "614400s", "-o", "card.plan")
		y.types(0, "write", "card.plan", "card.raw")
		if err := os.WriteFile(y.path("label.jpg"), []byte("no picture"), 0o600); err != nil {
			y.t.Fatal(err)
		}
		return y.attach(y.path("card.raw"))
	},
}

// readingFolder has two captures of one drive that lack other sectors, one of them in the
// boot area, and a kit of another unit.
func readingFolder(y *typist) string {
	node := y.attach(y.recorder("drive.raw"))
	y.types(0, "capture", "drive.raw", "a.img", "--skip", "5+2", "--skip", "300000+8")
	y.types(0, "capture", "drive.raw", "b.img", "--skip", "200000+8")
	y.types(0, "kit", "make", "drive.raw", "-o", "other.kit")
	return node
}

// recorder makes the drive of the invented recorder.
func (y *typist) recorder(name string) string {
	y.t.Helper()
	if err := saveDemoDrive(y.path(name)); err != nil {
		y.t.Fatal(err)
	}
	return y.path(name)
}

// sparse makes a file of so many sectors of which none is stored.
func (y *typist) sparse(name string, sectors int64) string {
	y.t.Helper()
	f, err := os.Create(y.path(name))
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(sectors * 512); err != nil {
		y.t.Fatal(err)
	}
	return y.path(name)
}

// layoutOfItsOwn makes the drive of a device that knows no table: a head with the number of
// the last sector in it, repeated in the last sector, and something of its unit.
func (y *typist) layoutOfItsOwn(name string, sectors int64, unit byte) {
	y.t.Helper()
	f, err := os.OpenFile(y.sparse(name, sectors), os.O_WRONLY, 0)
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	head := make([]byte, 512)
	copy(head, "HOLLOW LANE TAPELESS 4  SYSTEM 1.2")
	binary.BigEndian.PutUint32(head[64:], uint32(sectors-1))
	songs := make([]byte, 64*512)
	_, _ = rand.NewChaCha8([32]byte{unit}).Read(songs) // it never fails
	for at, b := range map[int64][]byte{0: head, (sectors - 1) * 512: head, 200 * 512: songs} {
		if _, err := f.WriteAt(b, at); err != nil {
			y.t.Fatal(err)
		}
	}
}
