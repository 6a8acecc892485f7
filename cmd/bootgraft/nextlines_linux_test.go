package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/imagetest/need"
)

// reader types what it has read, and nothing else but what only a person can know: which
// disk was plugged in, and the number of sectors that was read from the card.
type reader struct {
	*typist
	node, sectors string
}

// printedLine is a line to type, alone on its line.
var printedLine = regexp.MustCompile(`(?m)^ +(?:sudo )?bootgraft (.*)$`)

// follows types the first printed line of an answer that begins so, and returns what is said
// then.
func (r *reader) follows(ends int, read, begins string) string {
	r.t.Helper()
	for _, m := range printedLine.FindAllStringSubmatch(read, -1) {
		line := strings.TrimSpace(m[1])
		if !strings.HasPrefix(line, begins) {
			continue
		}
		args := strings.Fields(line)
		for i, a := range args {
			switch a {
			case "next", "/dev/sdX":
				args[i] = r.node
			case "Ns":
				args[i] = r.sectors
			}
		}
		out, said := r.types(ends, args...)
		return out + said
	}
	r.t.Fatalf("no line that begins with %q was printed:\n%s", begins, read)
	return ""
}

// TestPrintedLinesLeadToTheCard: from the capture of a drive to a verified card, and through
// "it does not start", every command is a line that the one before it has printed.
func TestPrintedLinesLeadToTheCard(t *testing.T) {
	t.Parallel()
	need.Root(t)
	r := &reader{typist: newTypist(t)}
	(&typed{t: t, dir: r.dir}).hostileDrive("old.img")
	if err := os.WriteFile(r.path("card.raw"), make([]byte, 20_000*512), 0o600); err != nil {
		t.Fatal(err)
	}
	r.node = r.attach(r.path("card.raw"))

	captured, _ := r.types(talk.ExitDone, "capture", "old.img", "saved.img")
	surveyed := r.follows(talk.ExitDone, captured, "survey")
	offered := r.follows(talk.ExitDone, surveyed, "plan saved.img --size common")
	seen := r.follows(talk.ExitDone, surveyed, "card next")
	size := regexp.MustCompile(`--size ([0-9]+s)`).FindStringSubmatch(seen)
	if size == nil {
		t.Fatalf("the size of the card is not said:\n%s", seen)
	}
	r.sectors = size[1]
	planned := r.follows(talk.ExitDone, offered, "plan saved.img --size Ns")
	r.follows(talk.ExitDone, planned, "files --plan card.plan")
	written := r.follows(talk.ExitDone, planned, "write card.plan card.img")
	verified := r.follows(talk.ExitDone, written, "verify card.plan card.img")
	rehearsed := r.follows(talk.ExitDone, verified, "write card.plan next --device")
	done := r.follows(talk.ExitDone, rehearsed, "write card.plan "+r.node+" --device --confirm")
	proved := r.follows(talk.ExitDone, done, "verify card.plan "+r.node)

	help := r.follows(talk.ExitDone, proved, "help no-start")
	r.follows(talk.ExitDone, help, "capture next card-later.img")
	r.says(r.follows(talk.ExitDone, help, "compare --before card.plan --after card-later.img"), "Not one of the compared sectors differs")
	r.follows(talk.ExitDone, help, "verify card.plan card-later.img")
	r.follows(talk.ExitDone, help, "files --plan card.plan --brief")
	r.follows(talk.ExitDone, help, "starts card.plan")
	r.says(r.follows(talk.ExitDone, help, "card /dev/sdX --write-test quick"), "NOTHING HAS BEEN WRITTEN YET")
}

// shellTypes gives a printed line to a shell, as somebody does who pastes it.
func (r *reader) shellTypes(ends int, line string) string {
	r.t.Helper()
	line = strings.NewReplacer(" next ", " "+r.node+" ", " Ns ", " "+r.sectors+" ", "sudo ", "").Replace(line + " ")
	c := exec.Command(need.Tool(r.t, "bash"), "-c", line)
	c.Dir, c.Env = r.dir, append(os.Environ(), "PATH="+filepath.Dir(r.bin)+":"+os.Getenv("PATH"))
	out, err := c.CombinedOutput()
	if got := c.ProcessState.ExitCode(); got != ends {
		r.t.Fatalf("%s\nended with %d, want %d: %v\n%s", line, got, ends, err, out)
	}
	return string(out)
}

// pastes gives the printed line of an answer that begins so to a shell.
func (r *reader) pastes(ends int, read, begins string) string {
	r.t.Helper()
	for _, m := range printedLine.FindAllStringSubmatch(read, -1) {
		if strings.HasPrefix(m[1], begins) {
			return r.shellTypes(ends, "bootgraft "+m[1])
		}
	}
	r.t.Fatalf("no line that begins with %q was printed:\n%s", begins, read)
	return ""
}

// TestPrintedLinesOfAwkwardNames: in a folder with blanks, and with files whose names begin with
// the mark of a flag and hold blanks, every printed line is one that a shell takes as it stands.
func TestPrintedLinesOfAwkwardNames(t *testing.T) {
	t.Parallel()
	need.Root(t)
	r := &reader{typist: newTypist(t), sectors: "20000s"}
	r.dir = filepath.Join(r.dir, "the owner's disks")
	if err := os.Mkdir(r.dir, 0o755); err != nil {
		t.Fatal(err)
	}
	(&typed{t: t, dir: r.dir}).hostileDrive("-drive")
	r.node = r.attach(r.sparse("-card", 20_000))

	captured := r.shellTypes(talk.ExitDone, "bootgraft capture -- -drive '-old one.img'")
	surveyed := r.pastes(talk.ExitDone, captured, "survey")
	r.pastes(talk.ExitDone, surveyed, "plan './-old one.img' --size common")
	r.shellTypes(talk.ExitDone, "bootgraft note -- '-old one.img' '-5 V at the plug'")
	planned := r.shellTypes(talk.ExitDone, "bootgraft plan --size 20000s -o '-c plan' -- '-old one.img'")
	r.pastes(talk.ExitDone, planned, "files --plan")
	written := r.pastes(talk.ExitDone, planned, "write './-c plan' card.img")
	verified := r.pastes(talk.ExitDone, written, "verify")
	r.pastes(talk.ExitDone, verified, "write './-c plan' next --device")
	rehearsed := r.shellTypes(talk.ExitDone, "bootgraft write --device -- '-c plan' next")
	done := r.pastes(talk.ExitDone, rehearsed, "write --device './-c plan' "+r.node+" --confirm")
	r.pastes(talk.ExitDone, done, "verify './-c plan' "+r.node)

	kept := r.shellTypes(talk.ExitDone, "bootgraft kit make -o '-k kit' -- '-old one.img'")
	r.pastes(talk.ExitDone, kept, "kit show")
	archived := r.shellTypes(talk.ExitDone, "bootgraft archive --plan '-c plan' -- '-arch ive'")
	r.pastes(talk.ExitDone, archived, "verify")
}

// TestPrintedLinesOfFilesNamedAsWords: files whose names are words of this program, such as that
// for the disk which is plugged in next, stay files in every printed line.
func TestPrintedLinesOfFilesNamedAsWords(t *testing.T) {
	t.Parallel()
	need.Root(t)
	r := &reader{typist: newTypist(t), sectors: "20000s"}
	(&typed{t: t, dir: r.dir}).hostileDrive("drive")
	r.node = r.attach(r.sparse("card", 20_000))

	captured := r.shellTypes(talk.ExitDone, "bootgraft capture drive ./next")
	surveyed := r.pastes(talk.ExitDone, captured, "survey")
	r.pastes(talk.ExitDone, surveyed, "plan ./next --size common")
	planned := r.shellTypes(talk.ExitDone, "bootgraft plan ./next --size 20000s -o plan")
	written := r.pastes(talk.ExitDone, planned, "write plan card.img")
	verified := r.pastes(talk.ExitDone, written, "verify plan card.img")
	r.pastes(talk.ExitDone, verified, "write plan next --device")

	r.gone("next", "next.record", "next.notes.txt")
	planned, _ = r.types(talk.ExitDone, "plan", "drive", "--size", "20000s", "-o", "next")
	r.pastes(talk.ExitDone, planned, "files --plan ./next")
	rehearsed, _ := r.types(talk.ExitDone, "write", "next", r.node, "--device")
	typed := regexp.MustCompile(`(?m)^  (?:sudo )?bootgraft (write next ` + r.node + ` --device --confirm .*)$`)
	line := typed.FindStringSubmatch(rehearsed)
	if line == nil {
		t.Fatalf("the line to type is not printed:\n%s", rehearsed)
	}
	done, _ := r.types(talk.ExitDone, strings.Fields(line[1])...)
	r.pastes(talk.ExitDone, done, "verify ./next "+r.node)
}

// TestLinesAfterADifference: what is printed for a card that differs works as it stands, also
// where the source of the plan has moved: the card itself is read first, its image is compared.
func TestLinesAfterADifference(t *testing.T) {
	t.Parallel()
	need.Root(t)
	r := &reader{typist: newTypist(t), sectors: "20000s"}
	(&typed{t: t, dir: r.dir}).hostileDrive("old.img")
	r.types(talk.ExitDone, "plan", "old.img", "--size", r.sectors, "-o", "card.plan")
	r.types(talk.ExitDone, "write", "card.plan", "card.img")
	r.poke("card.img", 513, "\xF0")
	if err := os.Mkdir(r.path("moved here"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(r.path("old.img"), r.path("moved here/old.img")); err != nil {
		t.Fatal(err)
	}
	from := " --source 'moved here/old.img'"
	differs := r.shellTypes(talk.ExitDifferent, "bootgraft verify card.plan card.img"+from)
	compared := r.pastes(talk.ExitDone, differs, "compare --before card.plan")
	r.pastes(talk.ExitDone, compared, "starts card.plan")

	r.node = r.attach(r.path("card.img"))
	differs = r.shellTypes(talk.ExitDifferent, "bootgraft verify card.plan "+r.node+from)
	r.pastes(talk.ExitDone, differs, "capture "+r.node)
	r.pastes(talk.ExitDone, differs, "compare --before card.plan")
}

// poke writes bytes into a file.
func (y *typist) poke(name string, at int64, b string) {
	y.t.Helper()
	f, err := os.OpenFile(y.path(name), os.O_WRONLY, 0)
	if err == nil {
		_, err = f.WriteAt([]byte(b), at)
		err = errors.Join(err, f.Close())
	}
	if err != nil {
		y.t.Fatal(err)
	}
}
