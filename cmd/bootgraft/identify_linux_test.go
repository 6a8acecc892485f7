package main

import (
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
)

// saidWords is what an invented drive says of itself, as words: so many sectors, and
// word 128.
func saidWords(sectors uint32, security uint16) string {
	var w [256]uint16
	w[0], w[1], w[3], w[6] = 0x0040, 520, 16, 63
	for i := range 20 {
		w[27+i] = 0x2020
	}
	for i, c := range []uint16{0x4558, 0x414D, 0x504C, 0x4520} { // "EXAMPLE "
		w[27+i] = c
	}
	w[60], w[61], w[128] = uint16(sectors), uint16(sectors>>16), security
	var out strings.Builder
	for _, x := range w {
		fmt.Fprintf(&out, "%04x ", x)
	}
	return out.String()
}

// TestSurveyIdentify: what a drive says of itself is told beside what was read of it,
// and where the two do not agree, or the drive is locked, that is a finding.
func TestSurveyIdentify(t *testing.T) {
	t.Parallel()
	y := newTypist(t)
	if err := saveDemoDrive(y.path("old.img")); err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"same": saidWords(524_160, 1), "more": saidWords(525_168, 1), "fewer": saidWords(500_000, 1), "locked": saidWords(524_160, 7),
		"zeros": strings.Repeat("0000 ", 256), "none": "hello",
	} {
		if err := os.WriteFile(y.path(name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for name, want := range map[string][]disk.Code{
		"same": nil, "more": {disk.DriveSaysOther}, "fewer": {disk.DriveSaysOther}, "locked": {disk.DriveLocked},
	} {
		said, _ := y.types(talk.ExitDone, "survey", "old.img", "--identify", name, "--json")
		var got document.Survey
		if err := json.Unmarshal([]byte(said), &got); err != nil {
			t.Fatal(err)
		}
		var codes []disk.Code
		for _, f := range got.Findings {
			if f.Code == disk.DriveSaysOther || f.Code == disk.DriveLocked {
				codes = append(codes, f.Code)
			}
		}
		if !slices.Equal(codes, want) || got.Identify == nil || got.Identify.Model != "EXAMPLE" {
			t.Errorf("%s: %v, want %v; %+v", name, codes, want, got.Identify)
		}
	}
	page, _ := y.types(talk.ExitDone, "survey", "old.img", "--identify", "more")
	y.says(page, "520 cylinders, 16 heads, 63 sectors in a track: 524,160 sectors")
	y.says(page, "the last 1,008")
	for name, says := range map[string]string{"zeros": "did not answer", "none": "not what a drive answers", "gone": "no file gone",
		".": ". is a folder; --identify takes a file"} {
		_, said := y.types(talk.ExitFailed, "survey", "old.img", "--identify", name)
		y.says(said, says)
	}
	y.comparesGeometries()
	_, said := y.types(talk.ExitUsage, "survey", "--identify", "same")
	y.says(said, "survey SOURCE --identify same")
}

// comparesGeometries wants drive, table, volume and machine beside each other. The drive
// of the demonstration is counted with 16 heads throughout.
func (y *typist) comparesGeometries() {
	y.t.Helper()
	for machine, agree := range map[string]bool{"520/16/63": true, "32/255/63": false} {
		said, _ := y.types(talk.ExitDone, "survey", "old.img", "--identify", "same", "--machine-geometry", machine, "--json")
		var got document.Survey
		if err := json.Unmarshal([]byte(said), &got); err != nil {
			y.t.Fatal(err)
		}
		var who []string
		for _, r := range got.Geometry.Rows {
			who = append(who, fmt.Sprint(r.Who, r.Heads))
		}
		if text := strings.Join(who, " "); got.Geometry.Agree != agree || !strings.HasPrefix(text, "drive16 table16 volume16 machine") {
			y.t.Errorf("%s: %s; %+v", machine, text, got.Geometry)
		}
	}
	page, _ := y.types(talk.ExitDone, "survey", "old.img", "--machine-geometry", "32/255/63")
	y.says(page, "machine               32    255       63")
	y.says(page, "The machine counts with 255 heads")
	for _, bad := range []string{"255/63", "1/2/3/4", "0/16/63", "1024/257/63", "x/16/63", "1024/16/-63", "99999999999999999999/1/1"} {
		_, said := y.types(talk.ExitUsage, "survey", "old.img", "--machine-geometry", bad)
		y.says(said, "as in 1024/255/63")
	}
	_, said := y.types(talk.ExitUsage, "survey", "--machine-geometry", "520/16/63")
	y.says(said, "survey SOURCE --machine-geometry 520/16/63")
}
