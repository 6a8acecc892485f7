package safety

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"strings"

	"bootgraft/image/disk"
	"bootgraft/safety/blockdev"
)

// Word is the confirmation word in its three parts: what is to be done, to
// which card, and what the card holds. Each part follows from a SHA-256 over
// its subject, so that a wrong word tells which of them changed.
type Word [3]string

func (w Word) String() string { return strings.Join(w[:], "-") }

// The signs of the word: letters and digits by turns, so that it spells nothing
// in any language. There is no vowel, no letter that sounds like another one
// here, and no digit that looks like a letter. Each pair is one of 96, 6.6
// bits; the seven of a word are 46 bits.
const (
	letters = "bfhjkmprtwxz"
	digits  = "23456789"

	// example is how a word looks.
	example = "k4t7-h3x9-m5r2w8"
)

// pairs writes the first n values of the SHA-256 of a subject as pairs.
func pairs(n int, subject []byte) string {
	sum := sha256.Sum256(subject)
	var b strings.Builder
	for i := range n {
		v := binary.BigEndian.Uint32(sum[4*i:]) % uint32(len(letters)*len(digits))
		b.WriteByte(letters[v/uint32(len(digits))])
		b.WriteByte(digits[v%uint32(len(digits))])
	}
	return b.String()
}

// makeWord makes the word for a request and the card as it is. content is the
// digest of what the look has read.
func makeWord(req *Request, f blockdev.Facts, content []byte) Word {
	job := fmt.Sprintf("%s|%s|%t|%t|%d|%d", req.Kind, req.Digest, req.KeepAll, req.Pull, req.Disk.Sectors,
		req.Disk.SectorSize)
	id := f.Identity
	target := fmt.Sprintf("%q|%q|%q|%q|%s|%d|%d|%d|%d|%d", id.Model, id.Serial, id.Bus, f.CID, f.Number,
		f.Sequence, f.Sectors, f.SectorSize, f.InodeOn, f.Inode)
	return Word{pairs(2, []byte(job)), pairs(2, []byte(target)), pairs(3, content)}
}

// check refuses a word that is not w, and says what it was for.
func (w Word) check(path, given string) *Refusal {
	given = strings.ToLower(strings.TrimSpace(given))
	if given == w.String() {
		return nil
	}
	r := &Refusal{Code: disk.WrongWord, Path: path, Do: "run the same command without --confirm, look again, and type " +
		"the word that it gives"}
	parts := strings.Split(given, "-")
	if len(parts) != len(w) || len(parts[0]) != len(w[0]) || len(parts[1]) != len(w[1]) || len(parts[2]) != len(w[2]) {
		r.Why = fmt.Sprintf("%q is no confirmation word: it looks like %s", given, example)
		return r
	}
	var what []string
	for i, name := range []string{"what is to be written (the plan, or --keep)",
		"the card (another one, or pulled and put in again)", "what the card holds"} {
		if parts[i] != w[i] {
			what = append(what, name)
		}
	}
	r.Why = "since the word was given, this changed: " + strings.Join(what, "; ")
	return r
}
