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
	_, said := y.types(talk.ExitUsage, "survey", "--identify", "same")
	y.says(said, "survey SOURCE --identify same")
}
