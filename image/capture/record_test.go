package capture

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

var example = record.Drive{
	Sectors: 20_000, SectorSize: 512, Identity: image.Identity{Model: "EXAMPLE 20", Serial: "S 1", Bus: "ata"}, MissingAs: record.FillPattern,
}

// recordOf makes a record of the given lines.
func recordOf(lines ...record.Line) []byte {
	var a record.Appender
	out := record.Opening(&a, example)
	for _, l := range lines {
		out = append(out, a.Line(&l)...)
	}
	return out
}

func someLines() []record.Line {
	b := make([]byte, 512)
	v := []record.Variant{{Times: 2, Digest: sum(b), Data: b}, {Times: 1, Digest: record.Digest{1}}}
	return []record.Line{
		{Verb: record.VerbRun, Numbers: []int64{1}, Time: time.Unix(1_700_000_000, 0)},
		{Verb: record.VerbAbout, Spans: []disk.Span{{Start: 0, Count: 100}, {Start: 19_000, Count: 9}}},
		{Verb: record.VerbGood, Span: disk.Span{Start: 0, Count: 100}, Digest: record.Digest{7}},
		{Verb: record.VerbUnstable, Span: disk.Span{Start: 5, Count: 1}, Variants: v},
		{Verb: record.VerbAgain, Span: disk.Span{Start: 0, Count: 100}, Numbers: []int64{2}},
		{Verb: record.VerbWeak, Span: disk.Span{Start: 7, Count: 2}, Fault: image.TimedOut},
		{Verb: record.VerbFailed, Span: disk.Span{Start: 2048, Count: 2048}, Fault: image.BadSector},
		{Verb: record.VerbTight, Span: disk.Span{Start: 2048, Count: 64}, Fault: record.Near},
		{Verb: record.VerbMissing, Span: disk.Span{Start: 2050, Count: 1}, Fault: image.ShortRead},
		{Verb: record.VerbLeft, Span: disk.Span{Start: 4096, Count: 2048}},
		{Verb: record.VerbSkipped, Span: disk.Span{Start: 8192, Count: 1}},
		{Verb: record.VerbSkipped, Span: disk.Span{Start: 8200, Count: 1}},
		{Verb: record.VerbWanted, Span: disk.Span{Start: 8200, Count: 1}},
		{Verb: record.VerbHung, Span: disk.Span{Start: 9000, Count: 2}},
		{Verb: record.VerbHung, Span: disk.Span{Start: 9100, Count: 1}},
		{Verb: record.VerbClock, Numbers: []int64{10, 2, 1500}},
		{Verb: record.VerbFrom, Numbers: []int64{1}, Texts: []string{"first \"half\"\n"}},
		{Verb: record.VerbOrigin, Span: disk.Span{Start: 0, Count: 50}, Numbers: []int64{1}},
		{Verb: record.VerbSync, Numbers: []int64{3}},
		{Verb: record.VerbAnswered},
		{Verb: record.VerbGone, Fault: image.Gone},
		{Verb: record.VerbStop, Texts: []string{"drive-gone"}},
		{Verb: record.VerbEnd, Digest: record.Digest{9}, Numbers: []int64{10_240_000}},
	}
}

func TestRecordSaysWhatWasWritten(t *testing.T) {
	rec, err := record.Read(bytes.NewReader(recordOf(someLines()...)))
	if err != nil {
		t.Fatal(err)
	}
	one := func(start, count disk.Sector) disk.Spans { return disk.Spans{{Start: start, Count: count}} }
	for name, p := range map[string][2]disk.Spans{
		"read":     {rec.Read(), {{Start: 0, Count: 5}, {Start: 6, Count: 94}}},
		"unstable": {rec.Unstable(), one(5, 1)},
		"missing":  {rec.Missing(), {{Start: 2050, Count: 1}, {Start: 9100, Count: 1}}},
		"skipped":  {rec.Skipped(), one(8192, 1)},
		"hung":     {rec.Hung(), one(9000, 2)},
		"weak":     {rec.Weak(), one(7, 2)},
	} {
		if !slices.Equal(p[0], p[1]) {
			t.Errorf("%s: %v, want %v", name, p[0], p[1])
		}
	}
	all := rec.Read().Union(rec.Unstable()).Union(rec.Missing()).Union(rec.Skipped()).Union(rec.Unread())
	if !slices.Equal(all, one(0, 20_000)) {
		t.Errorf("the states do not make up the disk: %v", all)
	}
	if rec.Drive != example || rec.Runs != 1 || rec.Stopped != "drive-gone" || rec.Image == nil || rec.Clock != (record.Clock{Reads: 10, Errors: 2, Slow: 1500 * time.Millisecond}) {
		t.Errorf("%+v", rec)
	}
}

func TestOnlyATornLastLineIsTolerated(t *testing.T) {
	whole := recordOf(someLines()...)
	opening := len(recordOf())
	for cut := opening; cut < len(whole); cut++ {
		rec, err := record.Read(bytes.NewReader(whole[:cut]))
		if err != nil {
			t.Fatalf("cut at byte %d: %v", cut, err)
		}
		if rec.Torn != (whole[cut-1] != '\n') || rec.End.Off != int64(bytes.LastIndexByte(whole[:cut], '\n')+1) {
			t.Fatalf("cut at byte %d: torn %v, goes on at %d", cut, rec.Torn, rec.End.Off)
		}
	}
	last := bytes.LastIndexByte(whole[:len(whole)-1], '\n')
	for at := range whole {
		b := bytes.Clone(whole)
		b[at] ^= 0x04
		var fe *record.LineError
		rec, err := record.Read(bytes.NewReader(b))
		if at >= last { // a last line that is not as it was written is torn
			if err != nil || !rec.Torn || rec.End.Off > int64(at) {
				t.Errorf("byte %d of the last line changed: %v", at, err)
			}
		} else if !errors.As(err, &fe) || fe.Offset > int64(at) {
			t.Errorf("byte %d changed: %v", at, err)
		}
	}
	lines := bytes.SplitAfter(whole, []byte("\n"))
	for i := range len(lines) - 3 { // the last but one would leave a torn last line
		b := bytes.Join(slices.Delete(slices.Clone(lines), i, i+1), nil)
		if _, err := record.Read(bytes.NewReader(b)); err == nil {
			t.Errorf("line %d taken out is not noticed", i+1)
		}
	}
}

// tearing is a file that is looked at after every byte of each write, as if the
// run were killed there.
type tearing struct {
	*memFile
	look func(now []byte)
}

func (f tearing) WriteAt(p []byte, off int64) (int, error) {
	for i := range p {
		if _, err := f.memFile.WriteAt(p[i:i+1], off+int64(i)); err != nil {
			return i, err
		}
		f.look(f.now)
	}
	return len(p), nil
}

func (f tearing) Truncate(size int64) error {
	err := f.memFile.Truncate(size)
	f.look(f.now)
	return err
}

// An announcement is written over, also one behind which a silence stands, by
// shorter lines and by longer ones. At whatever byte the run is killed, the
// record is not damaged.
func TestARecordIsWholeWhileAnAnnouncementIsWrittenOver(t *testing.T) {
	whole := recordOf()
	rec, err := record.Read(bytes.NewReader(whole))
	if err != nil {
		t.Fatal(err)
	}
	one := disk.Span{Start: 1234, Count: 1}
	many := record.Line{Verb: record.VerbAbout, Spans: []disk.Span{{Start: 1000, Count: 512}, {Start: 4000, Count: 512}, {Start: 9000, Count: 512}, {Start: 12_000, Count: 512}}}
	for _, next := range []record.Line{
		{Verb: record.VerbAbout, Spans: []disk.Span{{Start: 8, Count: 1}}}, many,
		{Verb: record.VerbGood, Span: disk.Span{Start: 1000, Count: 4000}}, {Verb: record.VerbMissing, Span: one, Fault: image.BadSector},
	} {
		m := newMemory()
		looks := 0
		f := tearing{&memFile{m: m, now: bytes.Clone(whole)}, func(now []byte) {
			looks++
			if _, err := record.Read(bytes.NewReader(now)); err != nil {
				t.Errorf("killed while %q is written: %v", next.Verb, err)
			}
		}}
		j := newJournal(&memFile{m: m}, f, 512, rec.End)
		for _, l := range []record.Line{many, {Verb: record.VerbSilent, Span: one}, next} {
			if err := j.promise(l); err != nil {
				t.Fatal(err)
			}
		}
		if err := j.close(); err != nil || looks == 0 {
			t.Fatal(err, looks)
		}
	}
}

// failsOnce is a file of which one write fails, as on a full disk that has room again a
// moment later.
type failsOnce struct {
	*memFile
	left *int
}

func (f failsOnce) WriteAt(p []byte, off int64) (int, error) {
	if *f.left--; *f.left == 0 {
		return 0, syscall.ENOSPC
	}
	return f.memFile.WriteAt(p, off)
}

// One write of the record fails: nothing is written behind the gap, so that what is there
// reads as a record that was cut off, and not as a damaged one.
func TestNothingIsWrittenBehindAGapInTheRecord(t *testing.T) {
	whole := recordOf()
	rec, err := record.Read(bytes.NewReader(whole))
	if err != nil {
		t.Fatal(err)
	}
	for at, failed := 1, true; failed; at++ {
		m, left := newMemory(), at
		f := &memFile{m: m, now: bytes.Clone(whole)}
		j := newJournal(&memFile{m: m}, failsOnce{f, &left}, 512, rec.End)
		about := func(s disk.Span) { _ = j.promise(record.Line{Verb: record.VerbAbout, Spans: []disk.Span{s}}) }
		about(disk.Span{Start: 1000, Count: 2})
		j.note(record.Line{Verb: record.VerbSame})                                        // which leaves the announcement open
		for _, s := range []disk.Span{{Start: 1000, Count: 2}, {Start: 1010, Count: 2}} { // held, of one block
			about(s)
			j.keep(record.Line{Verb: record.VerbGood, Span: s}, j.buffer(), false)
		}
		about(disk.Span{Start: 1012, Count: 1})
		j.note(record.Line{Verb: record.VerbMissing, Span: disk.Span{Start: 1012, Count: 1}, Fault: image.BadSector})
		failed = errors.Is(j.close(), syscall.ENOSPC)
		if _, err := record.Read(bytes.NewReader(f.now)); err != nil || failed != (left <= 0) {
			t.Errorf("write %d fails: %v, %v", at, failed, err)
		}
		if at < 4 && !failed {
			t.Fatalf("%d writes are too few", at)
		}
	}
}

func TestRecordsThatAreRefused(t *testing.T) {
	g, s := disk.Span{Start: 0, Count: 100}, disk.Span{Start: 5, Count: 1}
	for name, l := range map[string]record.Line{
		"behind the end":        {Verb: record.VerbGood, Span: disk.Span{Start: 19_999, Count: 2}},
		"window behind the end": {Verb: record.VerbAbout, Spans: []disk.Span{g, {Start: 1 << 61, Count: 1 << 61}}},
		"unstable run":          {Verb: record.VerbUnstable, Span: g, Variants: []record.Variant{{}}},
		"variant of other size": {Verb: record.VerbUnstable, Span: s, Variants: []record.Variant{{Data: []byte{1}, Digest: sum([]byte{1})}}},
		"nine variants":         {Verb: record.VerbUnstable, Span: s, Variants: make([]record.Variant, 9)},
		"second disk":           {Verb: record.VerbDisk, Numbers: []int64{1, 512}},
		"unknown capture":       {Verb: record.VerbOrigin, Span: g, Numbers: []int64{1}},
		"captures out of order": {Verb: record.VerbFrom, Numbers: []int64{2}, Texts: []string{""}},
	} {
		var fe *record.LineError
		if _, err := record.Read(bytes.NewReader(recordOf(l))); !errors.As(err, &fe) {
			t.Errorf("%s: %v", name, err)
		}
	}
	long := append(recordOf(), bytes.Repeat([]byte("a"), record.MaxLine+1)...)
	if _, err := record.Read(bytes.NewReader(long)); err == nil {
		t.Error("a line without end is accepted")
	}
}

// The checksums are those of RFC 1952 (gzip), and the digests those of FIPS
// 180-4: found here with gzip and sha256sum alone, in the way that the first
// lines of the record describe.
func TestTheRecordCanBeCheckedWithOtherTools(t *testing.T) {
	gzip, sha := need.Tool(t, "gzip"), need.Tool(t, "sha256sum")
	img, _ := captureFiles(t, newSim(6000, disk.Span{Start: 5000, Count: 2}), Options{})
	text, err := os.ReadFile(img + record.Suffix)
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(img)
	if err != nil {
		t.Fatal(err)
	}
	var texts []byte
	digests := 0
	for line := range strings.Lines(string(text)) {
		texts = append(texts, line[9:]...)
		var start, count int
		var digest string
		if n, _ := fmt.Sscanf(line[9:], "good %d+%d %s", &start, &count, &digest); n == 3 && digests < 20 {
			digests++
			if got := pipe(t, data[start*512:(start+count)*512], sha); string(got[:64]) != digest {
				t.Errorf("sectors %d+%d have %s, sha256sum says %s", start, count, digest, got[:64])
			}
		}
		var want uint32
		fmt.Sscanf(line, "%08x", &want)
		if strings.HasPrefix(line[9:], "stop") || strings.HasPrefix(line[9:], "disk") {
			z := pipe(t, texts, gzip, "-c")
			if got := binary.LittleEndian.Uint32(z[len(z)-8:]); got != want {
				t.Errorf("%q: gzip says %08x", line, got)
			}
		}
	}
	if digests == 0 {
		t.Error("no digest was compared")
	}
}

func pipe(t *testing.T, in []byte, name string, args ...string) []byte {
	t.Helper()
	c := exec.Command(name, args...)
	c.Stdin = bytes.NewReader(in)
	out, err := c.Output()
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// The record of a whole run stays readable for later versions.
func TestARecordOfThePastIsRead(t *testing.T) {
	f, err := os.Open(filepath.Join("..", "..", "testdata", "capture", "example.record"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rec, err := record.Read(f)
	if err != nil {
		t.Fatal(err)
	}
	if rec.Sectors != 6000 || !slices.Equal(rec.Missing(), disk.Spans{{Start: 5000, Count: 2}}) || len(rec.Unread()) > 0 || rec.Stopped != "done" {
		t.Errorf("%+v, missing %v", rec.Drive, rec.Missing())
	}
}

func FuzzReadRecord(f *testing.F) {
	f.Add(recordOf(someLines()...))
	f.Add(recordOf())
	if b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "capture", "example.record")); err == nil {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		rec, err := record.Read(bytes.NewReader(b))
		if (rec == nil) != (err != nil) {
			t.Fatalf("%v, %v", rec, err)
		}
		// Checksums keep most mutations out: the texts alone, too.
		var a record.Appender
		out := record.Opening(&a, example)
		for line := range bytes.Lines(b) {
			if l, err := record.Parse(strings.TrimSuffix(string(line[min(9, len(line)):]), "\n")); err == nil {
				if l.Verb == record.VerbWords && strings.ContainsRune(l.Text(), '\n') {
					t.Fatal("a newline in a line")
				}
				out = append(out, a.Line(&l)...)
			}
		}
		if rec, err := record.Read(bytes.NewReader(out)); err == nil {
			rec.SuspectWindow()
			all := rec.Read().Union(rec.Unstable()).Union(rec.Missing()).Union(rec.Skipped()).Union(rec.Unread())
			if !slices.Equal(all, disk.Spans{rec.Whole()}) {
				t.Fatalf("the states do not make up the disk: %v", all)
			}
		}
	})
}

// A record of a drive of 20 GB: 19,078 spans of 1 MiB, and as many lines again
// about bad spots.
func bigRecord() []byte {
	rng := rand.New(rand.NewPCG(3, 3))
	var a record.Appender
	g := example
	g.Sectors = 39_070_080
	out := record.Opening(&a, g)
	put := func(l record.Line) { out = append(out, a.Line(&l)...) }
	for i := range disk.Sector(19_076) {
		put(record.Line{Verb: record.VerbGood, Span: disk.Span{Start: i * 2048, Count: 2048}, Digest: record.Digest{byte(i)}})
		put(record.Line{Verb: record.VerbMissing, Span: disk.Span{Start: disk.Sector(rng.Int64N(39_000_000)), Count: 1}, Fault: image.BadSector})
		if i%64 == 0 {
			put(record.Line{Verb: record.VerbSync, Numbers: []int64{a.Lines + 1}})
		}
	}
	return out
}

func BenchmarkReadRecord(b *testing.B) {
	text := bigRecord()
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		if _, err := record.Read(bytes.NewReader(text)); err != nil {
			b.Fatal(err)
		}
	}
}

func sum(b []byte) record.Digest { return sha256.Sum256(b) }
