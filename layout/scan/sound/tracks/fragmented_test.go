package tracks_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/tracks"
)

// played is some seconds of plucked notes over a hum, 16 bits, in a byte order.
func played(seed uint64, channels, rate int, seconds float64, order binary.AppendByteOrder) []byte {
	r := rand.New(rand.NewPCG(seed, 3))
	var out []byte
	note := make([]float64, channels)
	for i := range int(seconds * float64(rate)) {
		beat := i % (rate / 4)
		t := float64(beat) / float64(rate)
		for c := range channels {
			if beat == 0 {
				note[c] = 110 * math.Pow(2, float64(r.IntN(30))/12)
			}
			v := 9000*math.Sin(2*math.Pi*note[c]*t)*math.Exp(-5*t) + 2500*math.Sin(2*math.Pi*note[c]*2.01*t)*math.Exp(-9*t) +
				700*math.Sin(2*math.Pi*50*float64(i)/float64(rate)) + 20*r.NormFloat64()
			out = order.AppendUint16(out, uint16(int16(v)))
		}
	}
	return out
}

// multitrack is an invented device: songs in pieces, and a table that names them, or none.
type multitrack struct {
	table    string // list, extents, next, none
	unit     int    // sectors of a block
	channels int
	big      bool
}

// tape returns the disk of a multitrack, and its songs as WAV has their samples.
func (m multitrack) tape(seed uint64) (*imagetest.Disk, [][]byte) {
	r := rand.New(rand.NewPCG(seed, 8))
	const area = 400 // sectors of the system in front of the songs
	var order binary.AppendByteOrder = binary.LittleEndian
	if m.big {
		order = binary.BigEndian
	}
	block := m.unit * 512
	var songs, bodies [][]byte
	var pieces [][2]int // of each, in any order: song, and how many blocks
	for s := range 5 {
		seconds := 5 + 4*r.Float64()
		songs = append(songs, played(seed*100+uint64(s), m.channels, 44100, seconds, binary.LittleEndian))
		body := played(seed*100+uint64(s), m.channels, 44100, seconds, order)
		bodies = append(bodies, append(body, make([]byte, (block-len(body)%block)%block)...))
		for left := len(bodies[s]) / block; left > 0; {
			n := min(left, 1+r.IntN(9))
			pieces = append(pieces, [2]int{s, n})
			left -= n
		}
	}
	r.Shuffle(len(pieces), func(i, j int) { pieces[i], pieces[j] = pieces[j], pieces[i] })
	blocks := make([][]int, len(songs)) // of each song, in its order
	at, done := 0, make([]int, len(songs))
	type put struct{ at, song, from, n int }
	var all []put
	for _, p := range pieces {
		all = append(all, put{at, p[0], done[p[0]], p[1]})
		for range p[1] {
			blocks[p[0]] = append(blocks[p[0]], at)
			at++
		}
		done[p[0]] += p[1]
		if r.IntN(10) == 0 {
			at++ // free
		}
	}
	d := imagetest.New(disk.Sector(area+(at+50)*m.unit), 512)
	for _, p := range all {
		d.Put(disk.Sector(area+p.at*m.unit), bodies[p.song][p.from*block:(p.from+p.n)*block])
	}
	d.Put(40, m.names(blocks, at))
	return d, songs
}

// names is the table: 16-bit numbers, the lowest byte first, block 1 the first.
func (m multitrack) names(songs [][]int, total int) []byte {
	var out []byte
	put := func(n int) { out = binary.LittleEndian.AppendUint16(out, uint16(n)) }
	next := make([]int, total+2)
	for i, s := range songs {
		if m.table == "list" || m.table == "extents" {
			out = append(out, fmt.Sprintf("SONG %02d\x00\x00\x00\x00\x00\x00\x00\x00\x00", i)...)
		}
		for j := 0; j < len(s); j++ {
			next[s[j]+1] = 0xFFFF
			if j+1 < len(s) {
				next[s[j]+1] = s[j+1] + 1
			}
			if m.table == "list" {
				put(s[j] + 1)
			}
			if m.table == "extents" && (j == 0 || s[j] != s[j-1]+1) {
				n := 1
				for j+n < len(s) && s[j+n] == s[j]+n {
					n++
				}
				put(s[j] + 1)
				put(n)
			}
		}
		if m.table == "list" || m.table == "extents" {
			put(0)
			put(0)
			out = append(out, make([]byte, (512-len(out)%512)%512)...)
		}
	}
	if m.table == "next" {
		for _, n := range next {
			put(n)
		}
	}
	return out
}

// heard returns how many seconds of the songs are in the tracks, sample by sample, and how
// many there are.
func heard(t *testing.T, list *tracks.List, songs [][]byte, channels int) (right, all float64) {
	t.Helper()
	var got [][]byte
	for i := range list.Tracks {
		s, err := list.Tracks[i].PCM(list.Tracks[i].Source)
		if err != nil {
			continue
		}
		b, err := io.ReadAll(s)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, b)
	}
	per := float64(44100 * 2 * channels)
	for _, want := range songs {
		all += float64(len(want)) / per
		most := 0
		for _, b := range got {
			most = max(most, longest(b, want))
		}
		right += float64(most) / per
	}
	return right, all
}

// longest returns how many bytes of want stand in got at the place where most of it does:
// got may begin some frames late, or go on for longer.
func longest(got, want []byte) int {
	for _, from := range []int{0, 1024, 4096, 65536} { // a beginning that is silent may be left out
		if from+64 > len(want) {
			break
		}
		at := bytes.Index(got, want[from:from+64])
		if at < 0 {
			continue
		}
		start := max(0, from-at) // of want
		off := at - from         // where want would begin in got
		n := 0
		for i := start; i < len(want) && off+i < len(got); i++ {
			if got[off+i] != want[i] {
				break
			}
			n++
		}
		return n
	}
	return 0
}

// TestSongsInPieces: with a table 95 % of the seconds come back as they were played, in
// their order; without one nothing is put together.
func TestSongsInPieces(t *testing.T) {
	devices := []multitrack{
		{"list", 32, 2, true}, {"extents", 16, 2, false}, {"next", 64, 1, true}, {"none", 32, 2, true},
	}
	if need.Long() {
		devices = append(devices, multitrack{"list", 24, 4, false}, multitrack{"next", 32, 2, false})
	}
	var heardOf, played float64 // of all devices with a table, seconds
	for _, m := range devices {
		t.Run(fmt.Sprintf("%s-%d-%d", m.table, m.unit, m.channels), func(t *testing.T) {
			var right, all float64
			for _, seed := range need.Seeds(1, 20) {
				d, songs := m.tape(uint64(seed))
				list, err := tracks.Find(context.Background(), d, &layout.Map{Sectors: disk.Sector(d.Size() / 512), SectorSize: 512}, tracks.Options{})
				if err != nil {
					t.Fatal(err)
				}
				a, b := heard(t, list, songs, m.channels)
				right, all = right+a, all+b
				for i := range list.Tracks {
					x := &list.Tracks[i]
					want := map[bool]sound.Order{true: sound.Big, false: sound.Little}[m.big]
					if x.Kind == sound.PCM && (x.Order() != want || x.Format.Channels != m.channels) {
						t.Logf("run %d, %.1f s: %d channels, %s", x.Number, x.Seconds, x.Format.Channels, x.Order())
					}
					if m.table == "none" && len(x.Pieces) > 1 {
						t.Errorf("put together without a table: %s", x.Joined)
					}
				}
			}
			t.Logf("%.1f of %.1f s, %.1f %%", right, all, 100*right/all)
			if m.table != "none" {
				heardOf, played = heardOf+right, played+all
			}
		})
	}
	if heardOf < 0.95*played {
		t.Errorf("%.1f of %.1f s come back", heardOf, played)
	}
}
