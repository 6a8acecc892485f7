package document

import (
	"bootgraft/image/disk"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/join"
	"bootgraft/layout/scan/sound/tracks"
	"bootgraft/safety/rescue"
)

// Sound is the recordings outside the files of volumes.
type Sound struct {
	Head
	Looked disk.Sector  `json:"sectors_searched"`
	Free   disk.Sector  `json:"sectors_free"` // of these, in clusters that no file uses
	Runs   []SoundRun   `json:"runs"`
	Tables []SoundTable `json:"tables"`
}

// SoundRun is one of them. Bytes count from its first sector, or from the first of its
// pieces one behind the other.
type SoundRun struct {
	Run       int         `json:"run"`
	Pieces    []disk.Span `json:"pieces"`
	Start     int64       `json:"start_byte"`
	Bytes     int64       `json:"bytes"`
	Kind      string      `json:"kind"`
	Codec     string      `json:"codec,omitempty"`
	Order     string      `json:"byte_order,omitempty"` // little or big
	Words     string      `json:"words,omitempty"`      // how those of the region are turned
	Bits      int         `json:"bits,omitempty"`
	Width     int         `json:"bytes_per_sample,omitempty"`
	Block     int64       `json:"bytes_per_block,omitempty"` // of one channel that lie together
	Channels  int         `json:"channels"`
	Rate      int         `json:"rate"`
	Guessed   bool        `json:"rate_guessed"`
	Seconds   float64     `json:"seconds"`
	Otherwise []SoundRate `json:"seconds_at_other_rates,omitempty"`
	Asked     bool        `json:"as_asked"`
	Evidence  float64     `json:"evidence_bits"`
	Why       string      `json:"why"`
	Joined    string      `json:"joined_by,omitempty"`
	Missing   []SoundLost `json:"missing"`
	Written   string      `json:"written,omitempty"`  // its name in the folder of --to
	LeftOut   string      `json:"left_out,omitempty"` // why that folder could not take it, as of files
}

// SoundRate is how long a run is if that is its rate.
type SoundRate struct {
	Rate    int     `json:"rate"`
	Seconds float64 `json:"seconds"`
}

// SoundLost is a run of missing sectors of the disk.
type SoundLost struct {
	disk.Span
	Seconds float64 `json:"seconds"`
	From    float64 `json:"from_seconds"`
}

// SoundHit is what is lost of one run that files --sound lists.
type SoundHit struct {
	Run     int         `json:"run"`
	First   disk.Sector `json:"first_sector"`
	Lost    disk.Sector `json:"first_missing_sector"`
	Sectors disk.Sector `json:"missing_sectors"`
	Seconds float64     `json:"seconds"`
	From    float64     `json:"from_seconds"`
}

// SoundTable is a table of the disk that orders pieces.
type SoundTable struct {
	Kind     string      `json:"kind"`
	Sector   disk.Sector `json:"sector"`
	Offset   int         `json:"offset"`
	Encoding string      `json:"encoding"`
	Stride   int         `json:"stride"`
	Unit     disk.Sector `json:"sectors_of_a_block"`
	// OtherUnits are the sizes of a block that fit about as well, Placed whether the borders
	// of the sound leave no doubt where blocks lie.
	OtherUnits []disk.Sector `json:"other_sectors_of_a_block,omitempty"`
	Placed     bool          `json:"placed"`
	Base       disk.Sector   `json:"sector_of_block_0"`
	Pieces     int           `json:"pieces"`
	ByChance   float64       `json:"expected_by_chance"`
}

// NewSound is the answer of files --sound; written is empty where nothing was.
func NewSound(l *tracks.List, written []rescue.WrittenTrack) *Sound {
	out := &Sound{New(KindSound), l.Looked, l.Free, each(l.Tracks, soundRun), each(l.Tables, soundTable)}
	for i := range written {
		out.Runs[i].Written, out.Runs[i].LeftOut = written[i].Name, string(written[i].Left)
	}
	return out
}

func soundRun(t tracks.Track) SoundRun {
	f := t.Format
	out := SoundRun{Run: t.Number, Pieces: t.Pieces, Start: t.Start, Bytes: t.Count, Kind: string(t.Kind), Codec: f.Codec,
		Bits: f.Bits, Width: f.Width, Block: f.Block, Channels: f.Channels, Rate: f.Rate, Guessed: t.RateGuessed,
		Seconds: t.Seconds, Asked: t.Asked, Evidence: t.Evidence, Why: t.Why, Joined: t.Joined,
		Missing: each(t.Lost(), func(l tracks.Lost) SoundLost { return SoundLost(l) })}
	if f.Bits > 0 {
		out.Order, out.Words = string(t.Order()), f.Swap.String()
	}
	if t.RateGuessed {
		for _, r := range sound.UsualRates {
			out.Otherwise = append(out.Otherwise, SoundRate{r, t.Seconds * float64(f.Rate) / float64(r)})
		}
	}
	return out
}

func soundTable(t join.Table) SoundTable {
	return SoundTable{string(t.Kind), t.At, t.Byte, string(t.Encoding), t.Stride, t.Unit, t.OtherUnits, t.Placed(), t.Base,
		t.Pieces, t.ByChance}
}
