package capture

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"bootgraft/image"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
)

// scratched is a finished capture of a drive with faults, as files in memory.
func scratched(t *testing.T) (d func() *simDrive, img, text []byte, want *record.Record) {
	t.Helper()
	d = func() *simDrive {
		return newSim(6000, disk.Span{Start: 700, Count: 1}, disk.Span{Start: 5000, Count: 3})
	}
	m := newMemory()
	runSim(t, d(), m, Options{Looks: 2, Hash: true, Skip: disk.NewSpans(disk.Span{Start: 2500, Count: 20})})
	img, text = m.files["image"].now, m.files["image.record"].now
	want, err := record.Read(bytes.NewReader(text))
	if err != nil || want.Missing().Sectors() != 4 {
		t.Fatal(err)
	}
	return d, img, text, want
}

// believed returns what a record, damaged or not, and an image prove together;
// nil if the record is refused.
func believed(t *testing.T, what string, text, img []byte, g record.Drive) *record.Record {
	t.Helper()
	rec, err := record.Read(bytes.NewReader(text))
	var f *record.LineError
	if errors.As(err, &f) {
		if rec, err = record.SalvageAs(bytes.NewReader(text), g); err == nil {
			_, err = rec.Prove(bytes.NewReader(img))
		}
	}
	if errors.As(err, &f) {
		return nil
	}
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	return rec
}

// checkBelieved holds what is believed against the truth: no sector is called
// good whose data are not those of the drive, none missing that is not, and no
// more than some are given up.
func checkBelieved(t *testing.T, what string, rec, want *record.Record, d *simDrive, img []byte, most disk.Sector) {
	t.Helper()
	b := make([]byte, 512)
	for _, s := range rec.Read() {
		for x := s.Start; x < s.End(); x++ {
			if d.content(b, x); !bytes.Equal(b, img[x*512:(x+1)*512]) {
				t.Fatalf("%s: sector %d is called good and is not", what, x)
			}
		}
	}
	for _, s := range rec.Missing() {
		if !slices.Equal(want.Missing().Within(s), disk.Spans{s}) {
			t.Fatalf("%s: sectors %s are called missing", what, s)
		}
	}
	if lost := want.Read().Sectors() - rec.Read().Sectors(); lost > most {
		t.Fatalf("%s: %d good sectors are given up, at most %d were expected (%+v)", what, lost, most, rec.Damage)
	}
}

// One wrong bit anywhere is put right, and nothing is given up.
func TestOneWrongBitCostsNothing(t *testing.T) {
	d, img, text, want := scratched(t)
	drive := d()
	// Who damages the last line makes a torn one of it.
	last := bytes.LastIndexByte(text[:len(text)-1], '\n')
	step := 3 // odd: every bit has its turn
	switch {
	case need.Long():
		step = 1
	case testing.Short():
		step = 23
	}
	for at := 0; at < last; at += step {
		for bit := range 8 {
			if bit != at%8 && (!need.Long() || at%11 > 0) { // one bit, of some bytes all
				continue
			}
			b := bytes.Clone(text)
			b[at] ^= 1 << bit
			what := fmt.Sprintf("bit %d of byte %d", bit, at)
			rec := believed(t, what, b, img, want.Drive)
			if rec == nil {
				t.Fatalf("%s: the record is refused", what)
			}
			checkBelieved(t, what, rec, want, drive, img, 0)
			if rec.Damage.Lines != 0 || !slices.Equal(rec.Missing(), want.Missing()) || !slices.Equal(rec.Skipped(), want.Skipped()) || rec.Drive != want.Drive {
				t.Fatalf("%s: %+v, missing %v", what, rec.Damage, rec.Missing())
			}
		}
	}
}

// damages are what disks, cables, editors and people do to a file.
func damages(text []byte) map[string]func(*rand.Rand) ([]byte, int) {
	part := func(rng *rand.Rand, most int) (int, int) {
		n := 1 + rng.IntN(min(most, len(text)-1))
		at := rng.IntN(len(text) - n)
		return at, n
	}
	lines := bytes.SplitAfter(text, []byte("\n"))
	return map[string]func(*rand.Rand) ([]byte, int){
		"a byte": func(rng *rand.Rand) ([]byte, int) {
			b := bytes.Clone(text)
			b[rng.IntN(len(b))] = byte(rng.Uint32())
			return b, 1
		},
		"noise": func(rng *rand.Rand) ([]byte, int) {
			b := bytes.Clone(text)
			at, n := part(rng, 600)
			for i := range n {
				b[at+i] = byte(rng.Uint32())
			}
			return b, n
		},
		"a page of zeros": func(rng *rand.Rand) ([]byte, int) {
			b := bytes.Clone(text)
			at := rng.IntN(len(b)/4096+1) * 4096
			clear(b[at:min(at+4096, len(b))])
			return b, 4096
		},
		"cut out": func(rng *rand.Rand) ([]byte, int) {
			at, n := part(rng, 1000)
			return slices.Delete(bytes.Clone(text), at, at+n), n
		},
		"put in": func(rng *rand.Rand) ([]byte, int) {
			at, n := part(rng, 1000)
			return slices.Insert(bytes.Clone(text), at, bytes.Repeat([]byte{'x', '\n', byte(n)}, n)...), 1
		},
		"twice": func(rng *rand.Rand) ([]byte, int) {
			at, n := part(rng, 3000)
			return slices.Insert(bytes.Clone(text), at+n, text[at:at+n]...), 1
		},
		"moved": func(rng *rand.Rand) ([]byte, int) {
			at, n := part(rng, 2000)
			b := slices.Delete(bytes.Clone(text), at, at+n)
			return slices.Insert(b, rng.IntN(len(b)), text[at:at+n]...), 2*n + len(text)
		},
		"two lines swapped": func(rng *rand.Rand) ([]byte, int) {
			l := slices.Clone(lines)
			i := rng.IntN(len(l) - 2)
			l[i], l[i+1] = l[i+1], l[i]
			return bytes.Join(l, nil), 1
		},
		"lines of DOS": func(*rand.Rand) ([]byte, int) {
			return bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n")), len(text)
		},
	}
}

// Whatever happens to a record: what is believed is true, and what lies outside
// the damage, two lines at each side of it, is kept.
func TestADamagedRecordIsBelievedWhereItIsProved(t *testing.T) {
	d, img, text, want := scratched(t)
	drive := d()
	lines := bytes.SplitAfter(text, []byte("\n"))
	// The most that n damaged bytes, and the lines that they touch and one more
	// at each side, can have said.
	most := func(n int) disk.Sector {
		worst := disk.Sector(0)
		for i := range lines {
			var touched disk.Sector
			size := 0
			for _, l := range lines[i:] {
				var s disk.Span
				if _, err := fmt.Sscanf(string(l[min(9, len(l)):]), "good %d+%d", &s.Start, &s.Count); err == nil {
					touched += s.Count
				}
				if size += len(l); size > n+600 {
					break
				}
			}
			worst = max(worst, touched)
		}
		return worst
	}
	for name, damage := range damages(text) {
		rounds := len(seeds(100, 3000))
		for seed := range rounds {
			rng := rand.New(rand.NewPCG(uint64(seed), 9))
			b, n := damage(rng)
			what := fmt.Sprintf("%s, seed %d", name, seed)
			if rec := believed(t, what, b, img, want.Drive); rec != nil {
				checkBelieved(t, what, rec, want, drive, img, most(n))
			} else if name != "lines of DOS" && n < len(text)/2 {
				t.Fatalf("%s: the record is refused", what)
			}
		}
	}
}

// A capture goes on with a damaged record: the drive is read again only where
// nothing is proved, the record is whole afterwards, and the damaged one is kept.
func TestACaptureGoesOnWithADamagedRecord(t *testing.T) {
	d, img, text, want := scratched(t)
	for name, damage := range damages(text) {
		for seed := range max(3, len(seeds(24, 300))/4) {
			b, _ := damage(rand.New(rand.NewPCG(uint64(seed), 10)))
			what := fmt.Sprintf("%s, seed %d", name, seed)
			m := newMemory()
			m.files["image"] = &memFile{m: m, now: bytes.Clone(img)}
			m.files["image.record"] = &memFile{m: m, now: bytes.Clone(b)}
			drive := d()
			tg := Target{Storage: m, Image: "image"}
			o := Options{Looks: 2, Hash: true, Time: drive.simTime, Skip: disk.NewSpans(disk.Span{Start: 2500, Count: 20})}
			r, err := Run(context.Background(), drive, tg, o, nil, nil)
			var te *TargetError
			if errors.As(err, &te) {
				if !bytes.Equal(m.files["image.record"].now, b) || len(m.files) != 2 {
					t.Fatalf("%s: a record that is refused was changed", what)
				}
				continue
			}
			if err != nil {
				t.Fatalf("%s: %v", what, err)
			}
			again, err := record.Read(bytes.NewReader(m.files["image.record"].now))
			if err != nil || r.Stop != Done || !slices.Equal(again.Read(), want.Read()) || !slices.Equal(again.Missing(), want.Missing()) || !slices.Equal(again.Skipped(), want.Skipped()) {
				t.Fatalf("%s: %v, stopped %q, missing %v, unread %v", what, err, r.Stop, r.Missing, r.Unread)
			}
			if !bytes.Equal(m.files["image"].now, img) {
				t.Fatalf("%s: the image is another", what)
			}
			if len(r.Findings) > 0 && r.Findings[0].Code == "record-damaged" {
				if kept := m.files["image.record.damaged"]; kept == nil || !bytes.Equal(kept.now, b) {
					t.Fatalf("%s: the damaged record is not kept", what)
				}
			} else if len(m.files) != 2 {
				t.Fatalf("%s: %d files, findings %v", what, len(m.files), r.Findings)
			}
		}
	}
}

// Every state outlives the mending of a record.
func TestAMendedRecordSaysTheSame(t *testing.T) {
	was, err := record.Read(bytes.NewReader(recordOf(append(someLines(),
		record.Line{Verb: record.VerbAbout, Spans: []disk.Span{{Start: 12_000, Count: 8}}},
		record.Line{Verb: record.VerbRun, Numbers: []int64{2}, Time: time.Unix(1_700_000_100, 0)})...)))
	if err != nil {
		t.Fatal(err)
	}
	// A digest of 100 sectors of which one was overruled proves nothing.
	rest := disk.Span{Start: 6, Count: 94}
	for _, l := range []record.Line{{Verb: record.VerbGood, Span: disk.Span{Start: 0, Count: 5}, Digest: record.Digest{8}}, {Verb: record.VerbGood, Span: rest, Digest: record.Digest{7}}} {
		if err := was.Apply(&l); err != nil {
			t.Fatal(err)
		}
	}
	f := &memFile{m: newMemory()}
	end, err := was.Rewrite(f)
	if err != nil {
		t.Fatal(err)
	}
	now, err := readFrom(f)
	if err != nil || now.End != end {
		t.Fatal(err)
	}
	for st := record.Unread; st <= record.Hung; st++ {
		if a, b := was.States.Spans(was.Whole(), st), now.States.Spans(now.Whole(), st); !slices.Equal(a, b) {
			t.Errorf("state %d: %v, was %v", st, b, a)
		}
	}
	if !slices.Equal(now.Weak(), was.Weak()) || !slices.Equal(now.Origins(1), was.Origins(1)) || now.Clock != was.Clock || now.Runs != was.Runs || len(now.Variants(5)) != 2 {
		t.Errorf("%+v", now)
	}
}

// The first page holds all that the record says of the drive: the size of a
// sector is then the one with which the digests are those of the image.
func TestARecordThatDoesNotTellTheDriveAnyMore(t *testing.T) {
	for _, size := range []int{512, 2048} {
		d := newSim(20_000, disk.Span{Start: 7000, Count: 3})
		d.sectorSize = size
		img, r := captureFiles(t, d, Options{Looks: 1})
		text := readFile(t, img+record.Suffix)
		clear(text[:2300])
		writeFile(t, img+record.Suffix, text)
		src := openCapture(t, img)
		if src.SectorSize() != size || src.Record().Damage == nil {
			t.Fatalf("sectors of %d bytes, want %d; damage %+v", src.SectorSize(), size, src.Record().Damage)
		}
		if got := src.Record().Read().Sectors(); got < r.Read-8192 || !slices.Equal(src.Record().Missing(), r.Missing) {
			t.Errorf("%d sectors read, %d were; missing %v", got, r.Read, src.Record().Missing())
		}
		if _, err := image.ReadSectors(src, disk.Span{Start: 7001, Count: 1}); err == nil {
			t.Error("a missing sector reads")
		}
	}
}

// A damaged record is not believed about a sector that the image does not hold.
func TestADamagedRecordIsComparedWithAllOfTheImage(t *testing.T) {
	d, img, text, want := scratched(t)
	b := bytes.Clone(text)
	b[len(b)/2] ^= 1
	for _, x := range []disk.Sector{0, 701, 2499, 4097, 5999} {
		changed := bytes.Clone(img)
		changed[x*512+9] ^= 1
		rec := believed(t, "a changed image", b, changed, want.Drive)
		if rec == nil || rec.Damage == nil || !rec.Damage.Lost.Holds(x) {
			t.Fatalf("sector %d: %+v", x, rec)
		}
		checkBelieved(t, "a changed image", rec, want, d(), changed, 2048)
	}
}

// A record of a later program is not damaged: it is refused by its version,
// nothing is salvaged from it, and it stays as it is, also where it is damaged.
func TestARecordOfALaterVersionIsRefused(t *testing.T) {
	m := newMemory()
	d := newSim(9000, disk.Span{Start: 700, Count: 1})
	runSim(t, d, m, Options{Looks: 1})
	var a record.Appender
	var later []byte
	for line := range bytes.Lines(m.files["image.record"].now) {
		l, err := record.Parse(string(bytes.TrimSuffix(line[9:], []byte("\n"))))
		if err != nil {
			t.Fatal(err)
		}
		if l.Verb == record.VerbRecord {
			l.Numbers[0] = record.Version + 1
		}
		later = append(later, a.Line(&l)...)
	}
	texts := map[string][]byte{"whole": later}
	for name, at := range map[string]int{"damaged before it tells its version": 100, "damaged behind that": len(later) * 3 / 4} {
		texts[name] = bytes.Clone(later)
		texts[name][at] ^= 4
	}
	for name, b := range texts {
		dir := t.TempDir()
		tg := Target{Storage: Disk{Dir: dir}, Image: filepath.Join(dir, "image")}
		writeFile(t, tg.Image, m.files["image"].now)
		writeFile(t, tg.record(), b)
		was := folderNow(t, dir)
		var ve *disk.NewerFormError
		if _, err := record.Open(tg.Image, ""); !errors.As(err, &ve) || ve.Form != record.Version+1 {
			t.Errorf("%s: to look at it: %v", name, err)
		}
		d := newSim(9000)
		if _, err := Run(context.Background(), d, tg, Options{Looks: 1, Time: d.simTime}, nil, nil); !errors.As(err, &ve) {
			t.Errorf("%s: to go on: %v", name, err)
		}
		if d.reads > 0 || !sameFolder(was, folderNow(t, dir)) {
			t.Errorf("%s: something was read, or changed", name)
		}
	}
}
