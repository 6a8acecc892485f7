package main

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/kit"
)

// slice writes sectors of an image into a file of their own; from below zero it
// counts from the end.
func (y *typed) slice(name string, from, count int64, to string) {
	y.t.Helper()
	img, err := image.Open(y.path(name), 512)
	if err != nil {
		y.t.Fatal(err)
	}
	defer img.Close()
	if from < 0 {
		from += int64(image.Sectors(img))
	}
	b, err := image.ReadSectors(img, disk.Span{Start: disk.Sector(from), Count: disk.Sector(count)})
	if err != nil {
		y.t.Fatal(err)
	}
	if err := os.WriteFile(y.path(to), b, 0o600); err != nil {
		y.t.Fatal(err)
	}
}

// bytesAt returns bytes of a file.
func (y *typed) bytesAt(name string, at, count int64) []byte {
	y.t.Helper()
	f, err := os.Open(y.path(name))
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	b := make([]byte, count)
	if _, err := f.ReadAt(b, at); err != nil {
		y.t.Fatal(err)
	}
	return b
}

// change overwrites bytes of a file.
func (y *typed) change(name string, at int64, b []byte) {
	y.t.Helper()
	f, err := os.OpenFile(y.path(name), os.O_RDWR, 0)
	if err != nil {
		y.t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteAt(b, at); err != nil {
		y.t.Fatal(err)
	}
}

// gptDrive makes the boot areas of a drive with a GUID partition table: signature
// and places of both headers alone (EFI Specification 1.02, table 16-2), for
// nothing here needs their CRCs.
func (y *typed) gptDrive(name string, sectors int64) {
	y.t.Helper()
	if err := os.WriteFile(y.path(name), nil, 0o600); err != nil {
		y.t.Fatal(err)
	}
	if err := os.Truncate(y.path(name), sectors*512); err != nil {
		y.t.Fatal(err)
	}
	for _, at := range []int64{1, sectors - 1} {
		h := make([]byte, 92)
		copy(h, "EFI PART\x00\x00\x01\x00\x5c")
		binary.LittleEndian.PutUint64(h[24:], uint64(at))
		binary.LittleEndian.PutUint64(h[32:], uint64(sectors-at))
		y.change(name, at*512, h)
	}
}

// Boot areas that do not lie where their own tables say become no kit: a wrong
// number of sectors, pieces that are swapped, a head alone.
func TestPiecesInTheWrongPlace(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	y.lost("mbr.img")
	y.gptDrive("gpt.img", 300_000)
	for _, n := range []string{"mbr", "gpt"} {
		y.slice(n+".img", 0, 2048, n+".head")
		y.slice(n+".img", -2048, 2048, n+".tail")
	}
	const mbrDrive, gptDrive = 524_160, 300_000
	from := func(n int64, head, tail string) []string {
		var args []string
		if head != "" {
			args = append(args, "--part", "0s="+head)
		}
		if tail != "" {
			args = append(args, "--part", "end-2048s="+tail)
		}
		return append(args, "--sectors", fmt.Sprint(n))
	}
	for name, c := range map[string]struct {
		args []string
		code disk.Code // "" if it is right
	}{
		"mbr, right":             {from(mbrDrive, "mbr.head", "mbr.tail"), ""},
		"mbr, too few sectors":   {from(400_000, "mbr.head", "mbr.tail"), disk.TablePastEnd},
		"mbr, swapped":           {from(mbrDrive, "mbr.tail", "mbr.head"), disk.PartMisplaced},
		"mbr, head alone":        {from(mbrDrive, "mbr.head", ""), disk.TailNotGiven},
		"mbr, tail alone":        {from(mbrDrive, "", "mbr.tail"), disk.HeadNotGiven},
		"mbr, head as a drive":   {[]string{"mbr.head"}, disk.TablePastEnd},
		"gpt, right":             {from(gptDrive, "gpt.head", "gpt.tail"), ""},
		"gpt, one sector fewer":  {from(gptDrive-1, "gpt.head", "gpt.tail"), disk.TableSaysOtherSize},
		"gpt, one sector more":   {from(gptDrive+1, "gpt.head", "gpt.tail"), disk.TableSaysOtherSize},
		"gpt, and the tail says": {from(gptDrive+1, "gpt.head", "gpt.tail"), disk.PartMisplaced},
		"gpt, swapped":           {from(gptDrive, "gpt.tail", "gpt.head"), disk.PartMisplaced},
		"gpt, head as a drive":   {[]string{"gpt.head"}, disk.TableSaysOtherSize},
	} {
		t.Run(name, func(t *testing.T) {
			y := &typed{t, y.self, y.dir}
			args := append([]string{"kit", "make", "-o", strings.ReplaceAll(name, " ", "") + ".kit", "--head", "1MiB", "--tail", "1MiB"}, c.args...)
			if c.code == "" {
				y.run(talk.ExitDone, args...)
				return
			}
			_, said := y.run(talk.ExitRefused, args...)
			if !strings.Contains(said, string(c.code)+": ") {
				t.Errorf("not refused by %s:\n%s", c.code, said)
			}
		})
	}
	y.run(talk.ExitDone, append([]string{"kit", "make", "-o", "on.kit", "--accept", string(disk.TailNotGiven), "--json"}, from(mbrDrive, "mbr.head", "")...)...)
}

// manifest returns what a kit says of itself.
func (y *typed) manifest(name string) *kit.Manifest {
	y.t.Helper()
	said, _ := y.run(talk.ExitDone, "kit", "show", name, "--json")
	var j document.KitShow
	if err := json.Unmarshal([]byte(said), &j); err != nil {
		y.t.Fatal(err)
	}
	return j.Manifest
}

// The hashes of a kit that holds facts alone do not follow what tells one unit from
// another: two units agree, and a number of 32 bits cannot be found by trying. What
// else differs still shows.
func TestFactsDoNotTellTheUnit(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	for i, name := range []string{"one", "two", "other"} {
		y.lost(name + ".img")
		y.change(name+".img", 440, []byte{byte(i + 1), 2, 3, 4})       // disk id
		y.change(name+".img", 63*512+67, []byte{byte(i + 7), 1, 2, 3}) // serial number of the FAT32 volume
		if name == "other" {
			y.change(name+".img", 100, []byte{0x77}) // another program
		}
		y.run(talk.ExitDone, "kit", "make", name+".img", "-o", name+".kit", "--facts-only")
	}
	one, two, other := y.manifest("one.kit"), y.manifest("two.kit"), y.manifest("other.kit")
	if len(one.Masked) < 2 || one.Masked[0].Sector != 0 || one.Masked[0].Offset != 440 || len(one.Identity) > 0 {
		t.Errorf("masked: %+v, kept: %+v", one.Masked, one.Identity)
	}
	differ := 0
	for i := range one.Spans {
		if one.Spans[i].SHA256 != two.Spans[i].SHA256 {
			t.Errorf("sectors %s tell the unit", one.Spans[i].Span)
		}
		if one.Spans[i].SHA256 != other.Spans[i].SHA256 {
			differ++
		}
	}
	if differ != 1 {
		t.Errorf("another program shows in %d spans", differ)
	}
	a, err := os.ReadFile(y.path("one.kit"))
	b, err2 := os.ReadFile(y.path("two.kit"))
	if err != nil || err2 != nil || string(a) != string(b) {
		t.Error("the kits of two units differ")
	}
}

// What tells the unit is masked in every copy of it too: of the whole sector where
// the disk knows of no copy, inside a record of the device's own, and in the boot
// sector of a volume that no table names.
func TestFactsDoNotTellTheUnitByCopies(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	for unit, name := range []string{"one", "two"} {
		y.lost(name + ".img")
		id, serial := []byte{byte(unit + 0x51), 2, 3, 4}, []byte{byte(unit + 0x61), 1, 2, 3}
		y.change(name+".img", 440, id)
		y.change(name+".img", 63*512+67, serial)
		y.change(name+".img", 5*512, y.bytesAt(name+".img", 0, 512))
		y.change(name+".img", 9*512, append([]byte("boot record: "), y.bytesAt(name+".img", 400, 64)...))
		y.change(name+".img", 20*512, y.bytesAt(name+".img", 63*512, 512))
		other := y.bytesAt(name+".img", 63*512, 512) // of a volume that is there no more
		copy(other[67:], []byte{byte(unit + 0x71), 0, 0, 0})
		y.change(name+".img", 30*512, other)
		old := y.bytesAt(name+".img", 0, 512) // an earlier table
		copy(old[440:], []byte{byte(unit + 0x41), 0, 0, 0})
		y.change(name+".img", 40*512, old)
		y.run(talk.ExitDone, "kit", "make", name+".img", "-o", name+".kit", "--facts-only")
	}
	one, two := y.manifest("one.kit"), y.manifest("two.kit")
	if !reflect.DeepEqual(one, two) {
		t.Errorf("the kits of two units differ:\n%+v\n%+v", one.Masked, two.Masked)
	}
	for _, want := range []kit.Mark{
		{Sector: 5, Offset: 440, Count: 4}, {Sector: 9, Offset: 53, Count: 4}, {Sector: 20, Offset: 67, Count: 4},
		{Sector: 30, Offset: 67, Count: 4}, {Sector: 40, Offset: 440, Count: 4},
	} {
		if !slices.ContainsFunc(one.Masked, func(k kit.Mark) bool {
			return k.Sector == want.Sector && k.Offset == want.Offset && k.Count == want.Count
		}) {
			t.Errorf("not masked: %+v", want)
		}
	}
}

// kit show prints the texts of every stored span, on a known layout too.
func TestKitShowPrintsTexts(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	y.lost("old.img")
	y.change("old.img", 20*512, []byte("\x00belongs to Nora Ellison\x00"))
	y.change("old.img", -512+524_160*512, []byte("\x01made in the bramble works\x00"))
	y.run(talk.ExitDone, "kit", "make", "old.img", "-o", "a.kit")
	said, _ := y.run(talk.ExitDone, "kit", "show", "a.kit")
	for _, want := range []string{"belongs to Nora Ellison", "made in the bramble works", "524,159"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not shown:\n%s", want, said)
		}
	}
	if said, _ = y.run(talk.ExitDone, "kit", "show", "a.kit", "--json"); !strings.Contains(said, `"text": "belongs to Nora Ellison"`) {
		t.Error(said)
	}
}

// A flag with one value is not given twice: one of the two would be lost.
func TestAFlagGivenTwice(t *testing.T) {
	t.Parallel()
	y := newTyped(t)
	y.lost("old.img")
	for _, args := range [][]string{
		{"kit", "make", "old.img", "-o", "a.kit", "-o", "b.kit"},
		{"kit", "make", "old.img", "-o", "a.kit", "--output", "b.kit"},
		{"plan", "old.img", "--size", "614400s", "--size", "524160s"},
		{"survey", "old.img", "--sector-size", "512", "--sector-size", "512"},
	} {
		if _, said := y.run(talk.ExitUsage, args...); !strings.Contains(said, "given twice") {
			t.Errorf("%v: %s", args, said)
		}
	}
	y.run(talk.ExitDone, "kit", "make", "old.img", "-o", "a.kit", "--note", "one", "--note", "two", "--quiet", "--quiet")
}

// A name that is empty is no name: nothing is read or written for it.
func TestAnEmptyArgument(t *testing.T) {
	y := newTyped(t)
	for _, args := range [][]string{
		{"survey", ""}, {"capture", "old.img", ""}, {"plan", "old.img", "--size", "614400s", "-o", ""},
		{"write", "card.plan", ""}, {"write", "card.plan", "card.img", "--source="}, {"verify", ""},
		{"compare", "a.img", "b.img", "-o", ""}, {"files", "old.img", "--to", ""}, {"kit", "make", "old.img", "-o", ""},
		{"kit", "show", ""}, {"card", ""}, {"undo", "", "card.img"},
	} {
		if _, said := y.run(talk.ExitUsage, args...); !strings.Contains(said, "it is empty") {
			t.Errorf("%v: %s", args, said)
		}
	}
}
