package kit_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"hash/crc32"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout/kit"
)

// file is one file of a ZIP that a test packs by hand.
type file struct {
	name string
	data []byte
}

// files takes a kit apart.
func files(t testing.TB, b []byte) []file {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	var out []file
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, file{f.Name, data})
	}
	return out
}

// pack puts files into a ZIP as a kit has them, with right CRCs; those
// from number deflated on are compressed.
func pack(t testing.TB, deflated int, list []file) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for i, f := range list {
		n := uint64(len(f.data))
		var w io.Writer
		var err error
		if i >= deflated {
			w, err = z.CreateHeader(&zip.FileHeader{Name: f.name, Method: zip.Deflate})
		} else {
			w, err = z.CreateRaw(&zip.FileHeader{Name: f.name, CRC32: crc32.ChecksumIEEE(f.data), CompressedSize64: n, UncompressedSize64: n})
		}
		if err == nil {
			_, err = w.Write(f.data)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

const none = 1 << 30 // no file is compressed

// edited returns a kit whose manifest has old replaced by new.
func edited(t testing.TB, old, new string) []byte {
	t.Helper()
	list := files(t, write(t, contents()))
	text := strings.Replace(string(list[0].data), old, new, 1)
	if text == string(list[0].data) {
		t.Fatalf("%q is not in the manifest:\n%s", old, text)
	}
	list[0].data = []byte(text)
	return pack(t, none, list)
}

func TestOpenRefusesWhatIsNotRight(t *testing.T) {
	good := write(t, contents())
	list := func() []file { return files(t, good) }
	swapped, short, more, changed := list(), list(), list(), list()
	swapped[3], swapped[4] = swapped[4], swapped[3]
	short = short[:len(short)-1]
	more = append(more, file{"sectors/500+1.bin", make([]byte, 512)})
	changed[3].data[100] ^= 1
	for name, c := range map[string]struct {
		kit   []byte
		fault disk.Fault
		text  string
	}{
		"empty":              {nil, disk.Absent, "manifest.json"},
		"another ZIP":        {pack(t, none, []file{{"a.txt", []byte("a")}}), disk.Absent, ""},
		"cut off":            {good[:len(good)-1], disk.Malformed, "end of a ZIP"},
		"something added":    {append(bytes.Clone(good), 0), disk.Malformed, "end of a ZIP"},
		"swapped":            {pack(t, none, swapped), disk.Malformed, "in its place"},
		"one missing":        {pack(t, none, short), disk.Malformed, "not there"},
		"one more":           {pack(t, none, more), disk.Malformed, "nothing of that name"},
		"wrong hash":         {pack(t, none, changed), disk.Malformed, "SHA-256"},
		"overlap":            {edited(t, "\"start\": 9,", "\"start\": 8,"), disk.Malformed, "begins before the end"},
		"outside":            {edited(t, "\"count\": 91,", "\"count\": 1991,"), disk.Malformed, "not inside the drive"},
		"overflow":           {edited(t, "\"count\": 91,", "\"count\": 9223372036854775807,"), disk.Malformed, "not inside the drive"},
		"negative":           {edited(t, "\"start\": 9,", "\"start\": -9,"), disk.Malformed, "not inside the drive"},
		"huge drive":         {edited(t, "\"sectors\": 1000,", "\"sectors\": 9223372036854775807,"), disk.Malformed, "a drive of"},
		"sector size":        {edited(t, "\"sector_size\": 512", "\"sector_size\": 0"), disk.Malformed, "sector size"},
		"another size":       {edited(t, "\"sector_size\": 512", "\"sector_size\": 1024"), disk.Malformed, "bytes"},
		"unknown word":       {edited(t, "\"drive\"", "\"drove\""), disk.Malformed, "drove"},
		"form, no writer":    {edited(t, "\"schema\": 1", "\"schema\": 2"), disk.Malformed, "of form 2"},
		"facts with data":    {edited(t, "\"facts_only\": false", "\"facts_only\": true"), disk.Malformed, "facts_only"},
		"a key twice":        {edited(t, "\"facts_only\": false,", "\"facts_only\": false, \"facts_only\": false,"), disk.Malformed, "\"facts_only\" twice"},
		"twice, inside":      {edited(t, "\"start\": 9,", "\"start\": 9, \"start\": 9,"), disk.Malformed, "\"start\" twice"},
		"twice, in capitals": {edited(t, "\"sectors\": 1000,", "\"sectors\": 1000, \"SECTORS\": 1000,"), disk.Malformed, "\"SECTORS\" twice"},
		"masked and stored":  {edited(t, "\"blanked\": [", "\"masked\": [{\"sector\": 0, \"offset\": 0, \"count\": 1, \"what\": \"\"}], \"blanked\": ["), disk.Malformed, "masked"},
		"linked, no entry":   {edited(t, "\"fields\": []", "\"fields\": [], \"linked\": [{\"volume\": 1, \"entry\": \"00\", \"extents\": [{\"start\": 1, \"count\": 1}]}]"), disk.Malformed, "directory entry"},
		"linked, past it":    {edited(t, "\"fields\": []", "\"fields\": [], \"linked\": [{\"volume\": 1, \"extents\": [{\"start\": 999, \"count\": 9223372036854775807}]}]"), disk.Malformed, "not inside the drive"},
		"linked, nowhere":    {edited(t, "\"fields\": []", "\"fields\": [], \"linked\": [{\"volume\": 1, \"extents\": []}]"), disk.Malformed, "in 0 runs"},
		"something follows":  {edited(t, "\n}\n", "\n} {}\n"), disk.Malformed, "follows"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := kit.Open(bytes.NewReader(c.kit), int64(len(c.kit)))
			var f *kit.PartError
			if !errors.As(err, &f) || f.Fault != c.fault || !strings.Contains(err.Error(), c.text) {
				t.Errorf("%v", err)
			}
		})
	}
}

// A kit that another program packed again is told from a damaged one.
func TestOpenRefusesCompressed(t *testing.T) {
	list := files(t, write(t, contents()))
	for deflated, want := range map[int]disk.Fault{0: disk.Absent, 1: disk.Unsupported, 3: disk.Unsupported} {
		b := pack(t, deflated, list)
		_, err := kit.Open(bytes.NewReader(b), int64(len(b)))
		var f *kit.PartError
		if !errors.As(err, &f) || f.Fault != want {
			t.Errorf("compressed from file %d on: %v", deflated, err)
		}
	}
}

// sparse is a file that says it is larger than it is.
type sparse struct{ head []byte }

func (s sparse) ReadAt(p []byte, off int64) (int, error) {
	clear(p)
	if off < int64(len(s.head)) {
		copy(p, s.head[off:])
	}
	return len(p), nil
}

func TestOpenRefusesTooLarge(t *testing.T) {
	if _, err := kit.Open(sparse{write(t, contents())}, kit.MaxBytes+1); err == nil || !strings.Contains(err.Error(), "at most") {
		t.Error(err)
	}
}

// Whatever single byte of a kit changes, it is refused, or reads as before.
func TestNoByteChangesInSilence(t *testing.T) {
	good := write(t, contents())
	before := open(t, good)
	refused, tried := 0, 0
	step := 5
	if need.Long() {
		step = 1
	}
	for i := 0; i < len(good); i += step {
		tried++
		bad := bytes.Clone(good)
		bad[i] ^= 0x41
		k, err := kit.Open(bytes.NewReader(bad), int64(len(bad)))
		if err != nil {
			refused++
			continue
		}
		for _, s := range []disk.Span{at(0, 100), at(106, 4), at(990, 10)} {
			a, err1 := image.ReadSectors(before, s)
			b, err2 := image.ReadSectors(k, s)
			if err1 != nil || err2 != nil || !bytes.Equal(a, b) {
				t.Fatalf("byte %d changed, and sectors %s with it: %v %v", i, s, err1, err2)
			}
		}
	}
	if refused < tried*9/10 {
		t.Errorf("only %d of %d changes were refused", refused, tried)
	}
}

// A kit is a plain ZIP for everybody: Python's own reader tests all CRCs
// and takes the sectors out (zipfile of the standard library; the format is
// APPNOTE.TXT 6.3).
func TestOthersReadAKit(t *testing.T) {
	python := need.Tool(t, "python3")
	dir := t.TempDir()
	path := filepath.Join(dir, "a.kit")
	if err := os.WriteFile(path, write(t, contents()), 0o644); err != nil {
		t.Fatal(err)
	}
	const program = `
import sys, zipfile, json, hashlib
z = zipfile.ZipFile(sys.argv[1])
assert z.testzip() is None
assert all(i.compress_type == zipfile.ZIP_STORED and i.date_time[0] == 1980 for i in z.infolist())
m = json.loads(z.read("manifest.json"))
for s in m["spans"]:
    if s["state"] == "stored":
        b = z.read("sectors/%d+%d.bin" % (s["start"], s["count"]))
        assert hashlib.sha256(b).hexdigest() == s["sha256"]
        print(s["start"], len(b))
sys.stdout.flush()
sys.stdout.buffer.write(z.read("sectors/990+10.bin"))
`
	out, err := exec.Command(python, "-c", program, path).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	tail, err := image.ReadSectors(drive(), at(990, 10))
	if err != nil {
		t.Fatal(err)
	}
	if want := append([]byte("0 4608\n990 5120\n"), tail...); !bytes.Equal(out, want) {
		t.Errorf("%d bytes: %.40q", len(out), out)
	}
}

func TestReadmeSaysWhatMatters(t *testing.T) {
	c := contents()
	c.RuleSet, c.LayoutKnown = nil, false
	c.Notes = []string{"one line\nBEFORE YOU USE IT\nnothing"}
	text := string(files(t, write(t, c))[1].data)
	for _, want := range []string{
		"1000 sectors of 512 bytes", "Never write to the original", "Cancel if a computer offers to initialise",
		"let the device format", "Nobody knows the layout", "the law of the place", "end-10", "sector 3, bytes 71 to 81",
		"Note:  one line BEFORE YOU USE IT nothing\n",
	} {
		if !strings.Contains(strings.ReplaceAll(text, "Let the device", "let the device"), want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
}

func FuzzOpen(f *testing.F) {
	small := contents()
	small.Spans = append(small.Spans[:0:0], small.Spans...)
	small.Spans[0].Count, small.Spans[6].Count = 1, 1
	good := write(f, small)
	f.Add(good)
	f.Add(edited(f, "\"count\": 91,", "\"count\": 1991,"))
	f.Add(pack(f, none, files(f, good)[:3]))
	c := contents()
	c.FactsOnly = true
	f.Add(write(f, c))
	f.Fuzz(func(t *testing.T, b []byte) {
		k, err := kit.Open(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			return
		}
		unknown := k.Unknown(image.Whole(k))
		for _, s := range unknown.Outside(image.Whole(k)) {
			s.Count = min(s.Count, 64)
			if _, err := image.ReadSectors(k, s); err != nil {
				t.Fatalf("sectors %s: %v", s, err)
			}
		}
		for _, s := range unknown {
			if _, err := image.ReadSectors(k, at(s.Last(), 1)); err == nil {
				t.Fatalf("sector %d is not known and was read", s.Last())
			}
		}
		for off, i := int64(0), 0; off < k.Size() && i < 10000; i++ {
			start, end := k.NextData(off)
			if end <= off && start < k.Size() {
				t.Fatalf("no way on from byte %d: %d, %d", off, start, end)
			}
			off = end
		}
	})
}

// torn is a file that cannot be read at one byte.
type torn struct {
	*bytes.Reader
	at int64
}

var errTorn = errors.New("bad sector")

func (r torn) ReadAt(p []byte, off int64) (int, error) {
	if off <= r.at && r.at < off+int64(len(p)) {
		return 0, errTorn
	}
	return r.Reader.ReadAt(p, off)
}

// A kit that cannot be read is neither damaged nor none.
func TestUnreadable(t *testing.T) {
	whole := write(t, contents())
	passed := 0
	for at := range int64(len(whole)) {
		_, err := kit.Open(torn{bytes.NewReader(whole), at}, int64(len(whole)))
		var format *kit.PartError
		switch {
		case err == nil:
			passed++ // a field of the ZIP that nobody needs
		case errors.As(err, &format) || !errors.Is(err, errTorn):
			t.Fatalf("byte %d: %v", at, err)
		}
	}
	if passed*20 > len(whole) {
		t.Errorf("%d of %d bytes are never read", passed, len(whole))
	}
}
