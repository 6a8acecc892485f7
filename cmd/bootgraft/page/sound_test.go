package page

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/tracks"
	"bootgraft/safety/rescue"
)

// manySounds is a list of so many runs, with all that a run can have.
func manySounds(n int) *Sounds {
	d := imagetest.New(40_000_000, 512)
	s := &Sounds{Name: "old multitrack.img", List: &tracks.List{Looked: 39_000_000, Free: 1_000}, Into: "heard"}
	for i := range n {
		at := disk.Sector(1_000_000 + i*300_000)
		t := tracks.Track{Number: i + 1, Source: d, Pieces: []disk.Span{{Start: at, Count: 200_000}, {Start: at + 250_000, Count: 9}}}
		t.Run = sound.Run{Start: 0, Count: 200_009 * 512, Kind: sound.PCM, Seconds: 4212.5, Evidence: 123_456_789, RateGuessed: true,
			Format: sound.Format{Rate: 44100, Bits: 24, Width: 4, Channels: 24, Order: sound.Big, Block: 65536}, Why: "what was seen"}
		t.Data = sound.Range{Count: t.Count}
		t.Missing = []sound.Gap{{Span: disk.Span{Start: 12, Count: 3}, Seconds: 0.02}}
		t.Joined = "its 2 pieces are named from sector 40, byte 16 on"
		s.List.Tracks = append(s.List.Tracks, t)
		s.Written = append(s.Written, rescue.WrittenTrack{Name: fmt.Sprintf("%03d.wav", i+1)})
		s.Envelopes = append(s.Envelopes, []float64{0, 0.1, 0.5, 1, 0.5, 0.01})
	}
	return s
}

// TestFirstScreenOfSounds: however many runs there are, the first screen has 24 lines of 80
// cells, with the prompt, and names how many more there are.
func TestFirstScreenOfSounds(t *testing.T) {
	for _, n := range []int{0, 1, 5, 14, 15, 60} {
		var out bytes.Buffer
		u := talk.New(nil)
		u.Out, u.Height = &out, func() int { return 24 }
		Sound(u, manySounds(n))
		lines := strings.Split(strings.TrimRight(out.String(), "\n"), "\n")
		for _, l := range lines {
			if words.Cells(l) > 80 {
				t.Errorf("%d runs: a line of %d cells: %s", n, words.Cells(l), l)
			}
		}
		if len(lines) > 23 || n > 20 && !strings.Contains(out.String(), "more") {
			t.Errorf("%d runs: %d lines\n%s", n, len(lines), out.String())
		}
	}
}

// TestSoundsOnPages: every run is on a page, with a shape, and what text shows of it is not
// blank.
func TestSoundsOnPages(t *testing.T) {
	a := SoundAnswer(manySounds(3))
	r := OutcomeReport(Outcome{Answer: a, Title: "Sound on a drive"}, nil, nil)
	html, err := r.HTML()
	if err != nil || bytes.Count(html, []byte("<svg")) != 3 || bytes.Contains(html, []byte("NaN")) {
		t.Errorf("the page (%v):\n%s", err, html)
	}
	for form, text := range map[string][]byte{"text": r.Plain(), "forum": r.Markdown()} {
		if bytes.Count(text, []byte("█")) < 3 || !bytes.Contains(text, []byte("MISSING")) {
			t.Errorf("%s:\n%s", form, text)
		}
	}
}
