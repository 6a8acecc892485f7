package safety

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/safety/blockdev"
)

// spread is how many sectors between the ends of a card go into the word.
const spread = 64

// Word is the confirmation word in its three parts: what is to be done, to
// which card, and what the card holds. Each part follows from a SHA-256 over
// its subject, so that a wrong word tells which of them changed.
type Word [3]string

func (w Word) String() string { return strings.Join(w[:], "-") }

// The letters of the word. Each syllable is one of 80, 6.3 bits, and no letter
// is easily taken for another one.
const (
	consonants = "bdfghjklmnprstvz"
	vowels     = "aeiou"
)

// syllables writes the first n values of a digest as syllables.
func syllables(n int, subject []byte) string {
	sum := sha256.Sum256(subject)
	var b strings.Builder
	for i := range n {
		v := binary.BigEndian.Uint32(sum[4*i:]) % uint32(len(consonants)*len(vowels))
		b.WriteByte(consonants[v/uint32(len(vowels))])
		b.WriteByte(vowels[v%uint32(len(vowels))])
	}
	return b.String()
}

// makeWord makes the word for a request and the card as it is. content is the
// digest that contentDigest returns.
func makeWord(req *Request, f blockdev.Facts, content []byte) Word {
	job := fmt.Sprintf("%s|%s|%t|%d|%d", req.Kind, req.Digest, req.KeepAll, req.Disk.Sectors, req.Disk.SectorSize)
	id := f.Identity
	target := fmt.Sprintf("%q|%q|%q|%q|%s|%d|%d|%d|%d|%d", id.Model, id.Serial, id.Bus, f.CID, f.Number,
		f.Sequence, f.Sectors, f.SectorSize, f.InodeOn, f.Inode)
	return Word{syllables(2, []byte(job)), syllables(2, []byte(target)), syllables(3, content)}
}

// check refuses a word that is not w, and says what it was for.
func (w Word) check(path, given string) *Refusal {
	given = strings.ToLower(strings.TrimSpace(given))
	if given == w.String() {
		return nil
	}
	r := &Refusal{Code: WrongWord, Path: path, Do: "run the same command without --confirm, look again, and type the word that it gives"}
	parts := strings.Split(given, "-")
	if len(parts) != len(w) || len(parts[0]) != len(w[0]) || len(parts[1]) != len(w[1]) || len(parts[2]) != len(w[2]) {
		r.Why = fmt.Sprintf("%q is no confirmation word: it looks like bado-fegi-lumano", given)
		return r
	}
	var what []string
	for i, name := range []string{"what is to be written (the plan, or --keep)", "the card (another one, or pulled and put in again)", "what the card holds"} {
		if parts[i] != w[i] {
			what = append(what, name)
		}
	}
	r.Why = "since the word was given, this changed: " + strings.Join(what, "; ")
	return r
}

// contentDigest hashes the first and the last 1 MiB of a card, and sectors
// spread between them. It returns the first part as well.
func contentDigest(dev Device, disk plan.Disk) (digest, head []byte, err error) {
	h := sha256.New()
	for i, s := range contentSpans(disk) {
		b, err := image.ReadSectors(dev, s)
		if err != nil {
			return nil, nil, err
		}
		if i == 0 {
			head = b
		}
		h.Write(b)
	}
	return h.Sum(nil), head, nil
}

func contentSpans(disk plan.Disk) []layout.Span {
	edge := min(layout.Sector(plan.Edge/disk.SectorSize), disk.Sectors)
	out := []layout.Span{{Count: edge}, layout.Between(disk.Sectors-edge, disk.Sectors)}
	for i := range layout.Sector(spread) {
		at := disk.Sectors / (spread + 1) * (i + 1)
		out = append(out, layout.Span{Start: at, Count: min(1, disk.Sectors-at)})
	}
	return out
}
