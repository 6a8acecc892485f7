package candidate

import (
	"bytes"
	"encoding/binary"
	"hash/maphash"
	"math"
	"sync"

	"bootgraft/image/disk"
)

// look says what kind of bytes a sector holds.
type look uint8

const (
	lookData    look = iota
	lookBlank        // 00 or FF throughout
	lookFill         // another byte throughout
	lookPattern      // a few bytes repeated throughout
	lookText         // printable ASCII
	lookPacked       // as random as can be: packed or secret data, and most recordings
	lookSound        // smooth waves of 16-bit samples
	lookUnknown      // not known to the source
)

func (l look) String() string {
	return [...]string{"data", "blank", "fill", "pattern", "text", "packed", "sound", "not known"}[l]
}

// searchable tells whether numbers are looked for in such a sector. Packed
// data and sound hold every number by chance, and a pattern holds one without end.
func (l look) searchable() bool { return l == lookData || l == lookText }

// sheet is what is remembered of one sector in use.
type sheet struct {
	at      disk.Sector
	look    look
	changes uint16 // bytes unlike the one before them
	entropy float32
	hash    [3]uint64 // plain, 16-bit swapped, 32-bit reversed
}

// plogp[n] is n*log2(n), for counts in a sector.
var plogp = sync.OnceValue(func() *[4097]float64 {
	t := new([4097]float64)
	for n := 2; n < len(t); n++ {
		t[n] = float64(n) * math.Log2(float64(n))
	}
	return t
})

// packedFrom returns the entropy, in bits a byte, from which a sector of n
// bytes counts as packed. Random bytes have about 8 - 255/(2n ln 2) (the bias
// of the plug-in estimate: Miller, Note on the bias of information estimates,
// 1955); a quarter of a bit below that is far outside their spread.
func packedFrom(n int) float64 { return 8 - 255/(2*float64(n)*math.Ln2) - 0.25 }

// repeatsItself tells whether b repeats its first bytes throughout, at most 64.
func repeatsItself(b []byte) bool {
	for p := 2; p <= 64 && p <= len(b)/4; p++ {
		if b[0] == b[p] && b[1] == b[p+1] && bytes.Equal(b[p:], b[:len(b)-p]) {
			return true
		}
	}
	return false
}

// judge fills in what kind of sector b is.
func (s *sheet) judge(b []byte) {
	var count [256]uint16
	last, printable := b[0], 0
	for _, c := range b {
		count[c]++
		if c != last {
			s.changes++
		}
		last = c
	}
	sum, table := 0.0, plogp()
	for c, n := range count {
		sum += table[n]
		if c >= 0x20 && c <= 0x7E || c == '\n' || c == '\r' || c == '\t' {
			printable += int(n)
		}
	}
	s.entropy = float32(math.Log2(float64(len(b))) - sum/float64(len(b)))
	switch {
	case s.changes == 0:
		s.look = lookFill
	case repeatsItself(b):
		s.look = lookPattern
	case printable*10 >= len(b)*9:
		s.look = lookText
	case float64(s.entropy) >= packedFrom(len(b)):
		s.look = lookPacked
	case s.entropy >= 5.75 && smooth(b):
		s.look = lookSound
	}
}

// smooth tells whether b reads as waves of 16-bit samples, one channel or two:
// neighbours much closer to each other than to the mean.
func smooth(b []byte) bool {
	var x [2048]float64
	n := min(len(b)/2, len(x))
	for _, order := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} {
		mean := 0.0
		for i := range n {
			x[i] = float64(int16(order.Uint16(b[2*i:])))
			mean += x[i] / float64(n)
		}
		spread := 0.0
		for _, v := range x[:n] {
			spread += math.Abs(v - mean)
		}
		for step := 1; step <= 2; step++ {
			jumps := 0.0
			for i := step; i < n; i++ {
				jumps += math.Abs(x[i] - x[i-step])
			}
			if jumps < 0.5*spread {
				return true
			}
		}
	}
	return false
}

var seed = maphash.MakeSeed()

// sign hashes the sector as it reads in each byte order; it fills the second
// and third of the rooms with the first turned round.
func (s *sheet) sign(rooms [3][]byte) {
	turn16(rooms[1], rooms[0])
	turn32(rooms[2], rooms[0])
	for i, r := range rooms {
		s.hash[i] = maphash.Bytes(seed, r)
	}
}

// turn16 exchanges the bytes of every 16-bit word of b into out, eight bytes
// at a time: as image.Swap16 does, for whole sectors.
func turn16(out, b []byte) {
	for i := 0; i+8 <= len(b); i += 8 {
		v := binary.LittleEndian.Uint64(b[i:])
		binary.LittleEndian.PutUint64(out[i:], v&0x00FF00FF00FF00FF<<8|v>>8&0x00FF00FF00FF00FF)
	}
}

// turn32 reverses every 32-bit word, as image.Swap32 does.
func turn32(out, b []byte) {
	for i := 0; i+4 <= len(b); i += 4 {
		binary.LittleEndian.PutUint32(out[i:], binary.BigEndian.Uint32(b[i:]))
	}
}
