package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/input"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare/family"
)

// typed runs commands as a person types them, in a folder of their own.
type typed struct {
	t    *testing.T
	self string
	dir  string
}

func newTyped(t *testing.T) *typed {
	return &typed{t, selfAs(t, "bootgraft"), t.TempDir()}
}

// run runs one command, which must end with the given code, and returns what
// it says.
func (y *typed) run(ends int, args ...string) (answer, talk string) {
	y.t.Helper()
	cmd := exec.Command(y.self, args...)
	cmd.Args[0] = "bootgraft"
	cmd.Dir = y.dir
	var out, say bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &say
	err := cmd.Run()
	if got := cmd.ProcessState.ExitCode(); got != ends {
		y.t.Fatalf("bootgraft %s ends with %d, want %d: %v\n%s%s", strings.Join(args, " "), got, ends, err, out.String(), say.String())
	}
	return out.String(), say.String()
}

func (y *typed) path(name string) string { return filepath.Join(y.dir, name) }

// save writes a disk to a sparse file.
func (y *typed) save(d *imagetest.Disk, name string) string {
	y.t.Helper()
	if err := saveSparse(d, y.path(name)); err != nil {
		y.t.Fatal(err)
	}
	return name
}

// TestRandomModelsStart: several units of an invented model as image files,
// compare, plan by the rules, write: the model's own checks take the card.
// What is not decided is asked about, never done unasked.
func TestRandomModelsStart(t *testing.T) {
	t.Parallel()
	started := 0
	seeds := need.Seeds(6, 60)
	for _, seed := range seeds {
		f := family.Random(seed)
		sizes := family.Sizes(seed, 6)
		y := newTyped(t)
		args := []string{"compare", "--head", "64s", "--tail", "64s", "-o", "model.rules"}
		for i, n := range append(sizes[:5:5], sizes[0]) {
			u := family.Unit{Serial: uint64(i + 1), Clock: uint64(i + 1), Songs: uint64(i + 1)}
			args = append(args, y.save(f.Disk(n, u), fmt.Sprintf("unit%d.img", i)))
		}
		y.run(talk.ExitDone, args...)
		card := []string{"plan", "unit0.img", "--size", fmt.Sprintf("%ds", sizes[5]), "--rules", "model.rules", "-o", "card.plan"}
		rules, _, err := input.ReadRules(y.path("model.rules"))
		if err != nil {
			t.Fatal(err)
		}
		if rules.For(sizes[5]).Undecided > 0 {
			_, said := y.run(talk.ExitRefused, card...)
			if !strings.Contains(said, "rules-undecided") {
				t.Errorf("%s: %s", f.Name, said)
			}
			continue
		}
		y.run(talk.ExitDone, card...)
		y.run(talk.ExitDone, "write", "card.plan", "card.img")
		src, err := image.Open(y.path("card.img"), 512)
		if err != nil {
			t.Fatal(err)
		}
		if err := f.Check(src); err != nil {
			t.Errorf("%s: the device refuses the card: %v", f.Name, err)
		}
		src.Close()
		started++
	}
	if 2*started < len(seeds) {
		t.Errorf("only %d of %d models were decided", started, len(seeds))
	}
}

// sfdiskGPT makes a disk with a GPT by sfdisk (util-linux) in a file.
func (y *typed) sfdiskGPT(n int64, name string) {
	y.t.Helper()
	f, err := os.Create(y.path(name))
	if err != nil {
		y.t.Fatal(err)
	}
	if err := f.Truncate(n * 512); err != nil {
		y.t.Fatal(err)
	}
	f.Close()
	cmd := exec.Command(need.Tool(y.t, "sfdisk"), "-q", y.path(name))
	cmd.Stdin = strings.NewReader(fmt.Sprintf("label: gpt\nlabel-id: 00112233-4455-6677-8899-AABBCCDD%04X\nstart=2048, size=30000, uuid=01234567-89AB-CDEF-0123-456789AB%04X, name=MUSIC\n", n%65521, n%65519))
	if out, err := cmd.CombinedOutput(); err != nil {
		y.t.Fatalf("sfdisk: %v\n%s", err, out)
	}
}

// TestCompareFindsTheRulesOfGPT: four disks made by sfdisk. EFI 1.10, table
// 11-1: alternate LBA = last sector, last usable LBA before the second array
// and header, CRC-32 of header and array.
func TestCompareFindsTheRulesOfGPT(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	args := []string{"compare", "--head", "2048s", "--tail", "2048s", "--for", "777776s", "--json", "-o", "gpt.rules"}
	for i, n := range []int64{100_000, 123_457, 201_600, 399_999} {
		name := fmt.Sprintf("gpt%d.img", i)
		y.sfdiskGPT(n, name)
		args = append(args, name)
	}
	answer, _ := y.run(talk.ExitDone, args...)
	var got document.Compare
	if err := json.Unmarshal([]byte(answer), &got); err != nil {
		t.Fatal(err)
	}
	values := map[string]uint64{}
	for _, f := range got.For.Fields {
		if f.State == "proved" {
			values[candidate.Place(f.Place).String()] = f.Value
		}
	}
	for place, want := range map[string]uint64{
		"sector 1, byte 32": 777_775, "sector 1, byte 48": 777_776 - 34, "end-1, byte 24": 777_775, "end-1, byte 72": 777_776 - 33,
	} {
		if values[place] != want {
			t.Errorf("%s would hold %d, want %d, proved", place, values[place], want)
		}
	}
	sums := map[string]bool{}
	for _, c := range got.Checks {
		sums[fmt.Sprintf("%s %s %s %d", candidate.Place(c.Place), c.State, c.Ways[0].Sum, c.Ways[0].Count)] = true
	}
	for _, want := range []string{"sector 1, byte 16 proved crc32-ieee 92", "sector 1, byte 88 proved crc32-ieee 16384", "end-1, byte 16 proved crc32-ieee 92"} {
		if !sums[want] {
			t.Errorf("no %s in %v", want, sums)
		}
	}
	// A table that is known is planned by what is known of it.
	answer, _ = y.run(talk.ExitDone, "plan", "gpt0.img", "--size", "777776s", "--rules", "gpt.rules", "-o", "card.plan")
	if !strings.Contains(answer, "rules-in-volume") {
		t.Errorf("nobody says that the rules are left aside:\n%s", answer)
	}
	y.run(talk.ExitDone, "write", "card.plan", "card.img")
	y.sfdiskVerify("card.img")
}

func (y *typed) sfdiskVerify(name string) {
	y.t.Helper()
	said, err := exec.Command(need.Tool(y.t, "sfdisk"), "--verify", y.path(name)).CombinedOutput()
	if err != nil || !strings.Contains(string(said), "No errors detected") {
		y.t.Errorf("sfdisk --verify: %v\n%s", err, said)
	}
}

// TestADisguisedGPTFollowsItsRules: the same disks with other signatures are an
// unknown layout. What the rules alone make of it for another size is, with the
// signatures back, a table in which sfdisk finds nothing wrong.
func TestADisguisedGPTFollowsItsRules(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	args := []string{"compare", "--head", "1024s", "--tail", "1024s", "-o", "odd.rules"}
	for i, n := range []int64{100_000, 123_457, 201_600, 399_999} {
		name := fmt.Sprintf("odd%d.img", i)
		y.sfdiskGPT(n, name)
		y.sign(name, "XFI TRAP", "\x00\x00")
		args = append(args, name)
	}
	y.run(talk.ExitDone, args...)
	answer, _ := y.run(talk.ExitDone, "plan", "odd0.img", "--size", "777776s", "--rules", "odd.rules", "-o", "card.plan")
	if !strings.Contains(answer, "try 1: everything as it is") {
		t.Fatalf("the disguise was seen through:\n%s", answer)
	}
	y.run(talk.ExitDone, "write", "card.plan", "card.img")
	y.sign("card.img", "EFI PART", "\x55\xAA")
	y.sfdiskVerify("card.img")
}

// sign changes the signatures of a GPT, and the checksums of its headers, which
// must have been right before.
func (y *typed) sign(name, header, record string) {
	y.t.Helper()
	f, err := os.OpenFile(y.path(name), os.O_RDWR, 0)
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		y.t.Fatal(err)
	}
	for _, at := range []int64{512, st.Size() - 512} {
		b := make([]byte, 92)
		if _, err := f.ReadAt(b, at); err != nil {
			y.t.Fatal(err)
		}
		sum := binary.LittleEndian.Uint32(b[16:])
		clear(b[16:20])
		if sum != crc32.ChecksumIEEE(b) {
			y.t.Errorf("%s: the checksum of the header at byte %d was wrong before", name, at)
		}
		copy(b, header)
		binary.LittleEndian.PutUint32(b[16:], crc32.ChecksumIEEE(b))
		if _, err := f.WriteAt(b, at); err != nil {
			y.t.Fatal(err)
		}
	}
	if _, err := f.WriteAt([]byte(record), 510); err != nil {
		y.t.Fatal(err)
	}
}
