package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// formatted makes a file with a table and one FAT volume from 4 MiB on, as card
// formatters do, made by tools that share nothing with this program.
func (y *typist) formatted(name string, bytes int64) (path string) {
	y.t.Helper()
	sfdisk, mkfs := need.Tool(y.t, "sfdisk"), need.Tool(y.t, "mkfs.fat")
	path = y.path(name)
	f, err := os.Create(path)
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	if err := f.Truncate(bytes); err != nil {
		y.t.Fatal(err)
	}
	c := exec.Command(sfdisk, "-q", path)
	c.Stdin = strings.NewReader("start=8192, type=c\n")
	y.runs(c)
	y.runs(exec.Command(mkfs, "--offset=8192", "-F", "32", "-s", "8", path))
	return path
}

func (y *typist) runs(c *exec.Cmd) {
	y.t.Helper()
	if out, err := c.CombinedOutput(); err != nil {
		y.t.Fatalf("%s: %v\n%s", c, err, out)
	}
}

// Files that are put on a card after the rehearsal, on a volume that lies far
// from both ends: the word for the card without them is refused, and they stay.
func TestFilesPutOnACardAfterTheRehearsal(t *testing.T) {
	t.Parallel()
	const n = 614_400
	y := newTypist(t)
	if err := saveDemoDrive(y.path("old.img")); err != nil {
		t.Fatal(err)
	}
	y.types(talk.ExitDone, "plan", "old.img", "--size", "614400s", "-o", "c.plan")
	mcopy := need.Tool(t, "mcopy")
	raw := y.formatted("card.raw", n*512)
	node := y.attach(raw)
	write := []string{"write", "c.plan", node, "--device"}
	word := y.word(write...) // an empty volume is not asked about
	for i := range 5 {
		song := y.path(strings.Repeat("x", i+1) + ".wav")
		if err := os.WriteFile(song, bytes.Repeat([]byte{byte(i + 1)}, 5000), 0o600); err != nil {
			t.Fatal(err)
		}
		y.runs(exec.Command(mcopy, "-i", node+"@@4M", song, "::"))
		before := digestOf(t, raw)
		_, said := y.types(talk.ExitRefused, append(write, "--confirm", word, "--accept", "card-holds-files")...)
		y.says(said, "wrong-word: since the word was given, this changed: what the card holds")
		_, said = y.types(talk.ExitRefused, append(write, "--confirm", word)...)
		y.says(said, "card-holds-files")
		if before != digestOf(t, raw) {
			t.Fatalf("with %d files something was written", i+1)
		}
		word = y.word(append(write, "--accept", "card-holds-files")...)
	}
	if exists(y.path("c.plan.receipt")) {
		t.Error("a receipt was made")
	}
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// A user of the group of the disks, without any right of root: no word is
// given, not a byte is written, and the line to type is. With a word of
// somebody else nothing is written either.
func TestNoWordForTheGroupOfDisks(t *testing.T) {
	t.Parallel()
	need.Root(t)
	setpriv := need.Tool(t, "setpriv")
	y := newTypist(t)
	y.inventOf("old.img", 13, 2048) // what is written is not the point
	y.types(talk.ExitDone, "plan", "old.img", "--size", "20000s", "--tail", "end", "--accept", "tail-undecided", "-o", "c.plan")
	raw := y.path("card.raw")
	if err := os.WriteFile(raw, make([]byte, 20000*512), 0o600); err != nil {
		t.Fatal(err)
	}
	node := y.attach(raw)
	const disks = 4242
	if err := os.Chown(node, 0, disks); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.Chown(node, 0, 6) })
	if err := os.Chmod(node, 0o660); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(y.path("old.img"), 0o644); err != nil {
		t.Fatal(err)
	}
	for dir := y.dir; len(dir) > 1; dir = filepath.Dir(dir) {
		if err := os.Chmod(dir, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(filepath.Dir(y.bin), 0o755); err != nil {
		t.Fatal(err)
	}
	word := y.word("write", "c.plan", node, "--device")
	for _, args := range [][]string{
		{"write", "c.plan", node, "--device"},
		{"write", "c.plan", node, "--device", "--confirm", word},
		{"card", node, "--write-test", "quick", "--device"},
		{"card", node, "--write-test", "full", "--device"},
	} {
		c := exec.Command(setpriv, append([]string{"--reuid", "65534", "--regid", "65534", "--groups", "4242", "--inh-caps=-all", "--bounding-set=-all", y.bin}, args...)...)
		c.Dir, c.Env = y.dir, y.sudoers()
		out, _ := c.CombinedOutput()
		if code := c.ProcessState.ExitCode(); code != talk.ExitRefused {
			t.Errorf("%v ended with %d\n%s", args, code, out)
		}
		y.says(string(out), "target-rights")
		y.says(strings.Join(strings.Fields(string(out)), " "), "sudo ")
		y.says(strings.Join(strings.Fields(string(out)), " "), node+" ")
	}
	if b := y.bytesOf("card.raw", 0, 20000); len(bytes.Trim(b, "\x00")) > 0 {
		t.Error("something was written")
	}
	if list, _ := filepath.Glob(y.path("*.receipt")); len(list) > 0 {
		t.Errorf("receipts: %v", list)
	}
}

// What a card holds that is not known is asked about, in an entry and on the
// bare card; empty volumes of known kinds and blank cards are not.
func TestUnknownContentIsAskedAbout(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	y.inventOf("old.img", 13, 2048) // what is written is not the point
	const size = 400 << 20
	y.types(talk.ExitDone, "plan", "old.img", "--size", "819200s", "--tail", "end", "--accept", "tail-undecided", "-o", "c.plan")
	noise := bytes.Repeat([]byte("take 7 "), 512*20)
	put := func(at int64, b []byte) func(*typist, string) {
		return func(y *typist, path string) {
			f, err := os.OpenFile(path, os.O_WRONLY, 0)
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			if _, err := f.WriteAt(b, at); err != nil {
				t.Fatal(err)
			}
		}
	}
	tool := func(name string, args ...string) func(*typist, string) {
		return func(y *typist, path string) {
			c := exec.Command(need.Tool(y.t, name), append(args, path)...)
			c.Stdin = strings.NewReader("a passphrase")
			y.runs(c)
		}
	}
	luks := func(kind string) func(*typist, string) {
		return func(y *typist, path string) {
			c := exec.Command(need.Tool(y.t, "cryptsetup"), "luksFormat", "-q", "--type", kind, "--pbkdf", "pbkdf2", "--pbkdf-force-iterations", "1000", path, "-")
			c.Stdin = strings.NewReader("a passphrase")
			y.runs(c)
		}
	}
	for _, c := range []struct {
		name string
		fill func(y *typist, path string)
		code disk.Code // empty if nothing is asked
		left bool      // the plan does not touch it, so that a write loses nothing
	}{
		{"blank", func(*typist, string) {}, "", false},
		{"an empty FAT volume", tool("mkfs.fat", "-F", "32"), "", false},
		{"an empty ext2 volume", tool("mkfs.ext2", "-q"), "", false},
		{"swap", tool("mkswap", "-q"), "", false},
		{"LUKS 1", luks("luks1"), disk.CardHoldsUnknown, false},
		{"LUKS 2", luks("luks2"), disk.CardHoldsUnknown, false},
		{"btrfs", tool("mkfs.btrfs", "-q"), disk.CardHoldsUnknown, false},
		{"XFS", tool("mkfs.xfs", "-q"), disk.CardHoldsUnknown, false},
		{"F2FS", tool("mkfs.f2fs", "-q"), disk.CardHoldsUnknown, false},
		{"UDF", tool("mkudffs", "--media-type=hd"), disk.CardHoldsUnknown, false},
		{"both ends in use", func(y *typist, p string) { put(0, noise)(y, p); put(size-int64(len(noise)), noise)(y, p) }, disk.CardHoldsUnknown, false},
		{"the end alone", put(size-512, noise[:512]), disk.CardHoldsUnknown, false},
		{"a sample of the middle", put(819200/65*30*512, noise[:512]), disk.CardHoldsUnknown, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			y := y.in(t)
			path := filepath.Join(t.TempDir(), "card.raw")
			if err := os.WriteFile(path, nil, 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Truncate(path, size); err != nil {
				t.Fatal(err)
			}
			c.fill(y, path)
			node := y.attach(path)
			for _, line := range [][]string{{"write", "c.plan", node, "--device"}, {"card", node, "--write-test", "full", "--device"}} {
				if c.code == "" || c.left && line[0] == "write" {
					y.types(talk.ExitDone, line...)
					continue
				}
				_, said := y.types(talk.ExitRefused, line...)
				y.says(said, string(c.code))
				y.types(talk.ExitDone, append(line, "--accept", string(c.code))...)
			}
		})
	}
}
