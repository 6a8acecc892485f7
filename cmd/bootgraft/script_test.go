package main

import (
	"bufio"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"

	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
)

// More tests run beside each other than there are processors: most of them wait,
// for a drive that does not answer, for a card that may be leaving, for a disk to
// store what was written. -parallel on the command line has the last word.
func TestMain(m *testing.M) {
	if err := flag.Set("test.parallel", strconv.Itoa(2*runtime.GOMAXPROCS(0))); err != nil {
		panic(err)
	}
	testscript.Main(m, map[string]func(){"bootgraft": main})
}

// TestScripts runs the commands of testdata/script as a person would type
// them. Each script says what must be printed, how the program ends, and what
// must not exist afterwards.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "../../testdata/script",
		Cmds:                scriptCommands,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Condition:           scriptCondition,
	})
}

var scriptCommands = map[string]func(ts *testscript.TestScript, neg bool, args []string){
	"exits":    scriptExits,
	"recorder": scriptRecorder,
	"disk":     scriptDisk,
	"poke":     scriptPoke,
	"sparse":   scriptSparse,
	"fifo":     scriptFIFO,
	"same":     scriptSame,
	"part":     scriptPart,
	"copy":     scriptCopy,
	"unit":     scriptUnit,
	"starts":   scriptStarts,
	"loop":     scriptLoop,
	"card":     scriptCard,
	"word":     scriptWord,
}

// scriptCondition answers [loop]: whether this machine can make a block device
// of a file, and [tool:NAME]: whether it has a program.
func scriptCondition(name string) (bool, error) {
	if tool, ok := strings.CutPrefix(name, "tool:"); ok {
		_, err := exec.LookPath(tool)
		return need.Condition("the program "+tool, err == nil)
	}
	if name != "loop" {
		return false, fmt.Errorf("there is no condition %q", name)
	}
	_, err := os.Stat("/dev/loop-control")
	return need.Condition("root and loop devices", err == nil && os.Geteuid() == 0 && losetup() != "")
}

// losetup returns the program that makes loop devices, which is not always in
// the search path, or nothing.
func losetup() string {
	for _, name := range []string{"losetup", "/usr/sbin/losetup", "/sbin/losetup"} {
		if p, err := exec.LookPath(name); err == nil {
			return p
		}
	}
	return ""
}

// loop NAME FILE: makes a read-only block device of a file, whose path is in the
// variable NAME until the script ends.
func scriptLoop(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: loop NAME FILE")
	}
	attach(ts, args[0], "-r", ts.MkAbs(args[1]))
}

// card NAME FILE: as loop, but a device that can be written.
func scriptCard(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: card NAME FILE")
	}
	attach(ts, args[0], ts.MkAbs(args[1]))
}

func attach(ts *testscript.TestScript, name string, args ...string) {
	release := need.NewDisk(ts)
	out, err := exec.Command(losetup(), append([]string{"-f", "--show"}, args...)...).CombinedOutput()
	release()
	if err != nil {
		ts.Fatalf("losetup: %v: %s", err, out)
	}
	device := strings.TrimSpace(string(out))
	back := need.LentLoop(ts, device)
	ts.Defer(func() { ts.Check(back()) })
	ts.Setenv(name, device)
}

// confirmWord is the line that a rehearsal ends with.
var confirmWord = regexp.MustCompile(`--confirm ([a-z0-9]+-[a-z0-9]+-[a-z0-9]+)\n`)

// word NAME: puts the word that the last command gave into a variable.
func scriptWord(ts *testscript.TestScript, neg bool, args []string) {
	m := confirmWord.FindStringSubmatch(ts.ReadFile("stdout"))
	if neg || len(args) != 1 || m == nil {
		ts.Fatalf("usage: word NAME, after a rehearsal that gave a word")
	}
	ts.Setenv(args[0], m[1])
}

// exits CODE COMMAND...: runs a command that must end with this exit code.
func scriptExits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE COMMAND...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	got := 0
	if err := ts.Exec(args[1], args[2:]...); err != nil {
		var exit *exec.ExitError
		if !errors.As(err, &exit) {
			ts.Fatalf("%v", err)
		}
		got = exit.ExitCode()
	}
	if got != want {
		ts.Fatalf("%s ended with %d, want %d\n%s%s", strings.Join(args[1:], " "), got, want, ts.ReadFile("stdout"), ts.ReadFile("stderr"))
	}
}

// recorder FILE: makes the image of the invented drive of the demonstration.
func scriptRecorder(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: recorder FILE")
	}
	ts.Check(saveDemoDrive(ts.MkAbs(args[0])))
}

// disk TEXT FILE: makes an image from a disk written as text.
func scriptDisk(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: disk TEXT FILE")
	}
	d, err := imagetest.Parse(strings.NewReader(ts.ReadFile(args[0])))
	ts.Check(err)
	ts.Check(saveSparse(d, ts.MkAbs(args[1])))
}

// poke FILE OFFSET TEXT: overwrites bytes of a file.
func scriptPoke(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: poke FILE OFFSET TEXT")
	}
	at, err := strconv.ParseInt(args[1], 0, 64)
	ts.Check(err)
	f, err := os.OpenFile(ts.MkAbs(args[0]), os.O_RDWR, 0)
	ts.Check(err)
	defer f.Close()
	_, err = f.WriteAt([]byte(args[2]), at)
	ts.Check(err)
}

// sparse FILE BYTES: makes or resizes a file without storing anything.
func scriptSparse(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: sparse FILE BYTES")
	}
	n, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	f, err := os.OpenFile(ts.MkAbs(args[0]), os.O_CREATE|os.O_RDWR, 0o644)
	ts.Check(err)
	defer f.Close()
	ts.Check(f.Truncate(n))
}

// part FROM TO START COUNT: makes a file of sectors of 512 bytes of another.
func scriptPart(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 4 {
		ts.Fatalf("usage: part FROM TO START COUNT")
	}
	start, err := strconv.ParseInt(args[2], 10, 64)
	ts.Check(err)
	count, err := strconv.ParseInt(args[3], 10, 64)
	ts.Check(err)
	f, err := os.Open(ts.MkAbs(args[0]))
	ts.Check(err)
	defer f.Close()
	b := make([]byte, count*512)
	_, err = f.ReadAt(b, start*512)
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), b, 0o644))
}

// same FILE FILE: both have the same bytes.
func scriptSame(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: same FILE FILE")
	}
	err := sameBytes(ts.MkAbs(args[0]), ts.MkAbs(args[1]))
	if err != nil && !errors.Is(err, errNotSame) {
		ts.Fatalf("%v", err)
	}
	if equal := err == nil; equal == neg {
		ts.Fatalf("%s and %s: equal is %v", args[0], args[1], equal)
	}
}

// copy FROM TO: as cp, for images with large holes.
func scriptCopy(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: copy FROM TO")
	}
	ts.Check(copySparse(ts.MkAbs(args[0]), ts.MkAbs(args[1])))
}

// TestReadmeExample runs the worked example of the README line by line and
// compares what it shows with what the program prints.
func TestReadmeExample(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	steps := readmeSteps(t, string(text), "```console", "$ ")
	if len(steps) < 4 {
		t.Fatalf("the README shows %d commands, want the whole job", len(steps))
	}
	if n := strings.Count(string(text), "\n"); n > 220 {
		t.Errorf("the README has %d lines; what is long belongs onto a page of help", n)
	}
	dir := t.TempDir()
	for _, s := range steps {
		t.Run(s.line, func(t *testing.T) {
			fields := strings.Fields(s.line)
			if fields[0] != "bootgraft" {
				t.Fatalf("%q is no command of this program", s.line)
			}
			cmd := exec.Command(os.Args[0], fields[1:]...)
			cmd.Path, cmd.Args[0] = selfAs(t, "bootgraft"), "bootgraft"
			cmd.Dir = dir
			out, err := cmd.Output()
			if got := cmd.ProcessState.ExitCode(); got != s.ends {
				t.Fatalf("it ends with %d, not %d: %v\n%s", got, s.ends, err, out)
			}
			checkShown(t, s.shown, string(out))
		})
	}
}

// step is a command of the README and the lines that it shows of its answer.
type step struct {
	line  string
	ends  int // exit code, from the comment "# ends with N" behind the command
	shown []string
}

// readmeSteps returns the commands of the blocks with this mark.
func readmeSteps(t *testing.T, text, mark, prompt string) []step {
	t.Helper()
	var out []step
	inside := false
	for sc := bufio.NewScanner(strings.NewReader(text)); sc.Scan(); {
		line := sc.Text()
		switch {
		case strings.HasPrefix(line, "```"):
			inside = line == mark
		case inside && strings.HasPrefix(line, prompt):
			command, ends, _ := strings.Cut(strings.TrimPrefix(line, prompt), "# ends with ")
			n, err := strconv.Atoi(ends)
			if err != nil && ends != "" {
				t.Fatalf("%q: %v", line, err)
			}
			out = append(out, step{line: strings.TrimSpace(command), ends: n})
		case inside && len(out) > 0:
			out[len(out)-1].shown = append(out[len(out)-1].shown, line)
		}
	}
	return out
}

// checkShown wants every shown line in the answer, in order; a line of three
// dots stands for any lines.
func checkShown(t *testing.T, shown []string, answer string) {
	t.Helper()
	lines := strings.Split(answer, "\n")
	at := 0
	skip := false
	for _, want := range shown {
		want = strings.TrimRight(want, " ")
		if want == "..." {
			skip = true
			continue
		}
		found := -1
		for i := at; i < len(lines); i++ {
			if strings.TrimRight(lines[i], " ") == want {
				found = i
				break
			}
			if !skip {
				break
			}
		}
		if found < 0 {
			t.Fatalf("the README shows\n%s\nand the program says\n%s", want, strings.Join(lines[at:], "\n"))
		}
		at, skip = found+1, false
	}
}

// selfAs returns the path of this test binary under another name: testscript
// runs the program that its name says.
func selfAs(t *testing.T, name string) string {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), name)
	if err := os.Symlink(self, link); err != nil {
		if err := os.Link(self, link); err != nil {
			t.Fatal(fmt.Errorf("no second name for the test binary: %w", err))
		}
	}
	return link
}
