package plan

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash"
	"io"

	"bootgraft/image/disk"
)

// block is how much is read at once when bytes are only passed on: a multiple of three,
// so that base64 needs no filling in between, and else by hand.
const block = 48 << 10

// Digest returns the check number of the plan: SHA-256 (FIPS 180-4), in
// lower-case hex, over the following bytes. A u64 is a number in 8 bytes, the
// highest first (a finding about no sector has -1: eight bytes FF). A text is
// a u64 with its length in bytes, then its bytes in UTF-8. A list is a u64
// with the number of its elements, then the elements in their order.
//
//	16 bytes  "bootgraft plan 2"; of the older form "bootgraft plan 1"
//	writer    text; not in the older form
//	target    u64 sectors, u64 sector size
//	source    u64 sectors, u64 sector size, text path, text digest,
//	          list meaning: u64 start, u64 count
//	pieces    list: u64 start, u64 count, u64 from (0 if it has none), u64 rank,
//	          text op, text why (both as in the plan file)
//	dropped   list: u64 start, u64 count, text role, text name, text why
//	findings  list: text code, text severity, u64 sector, text, u64 accepted (0 or 1)
//	rendered  u64 number of bytes, then the bytes
//	sees      u64; not in a plan without it
//	choices   text "choices", list: text; not in a plan without them
//
// The texts of the reasons are not in it: they follow from their codes.
func (p *Plan) Digest() (string, error) {
	c := &canon{hash: sha256.New()}
	c.raw(fmt.Sprintf("bootgraft plan %d", p.form()))
	if p.form() > 1 {
		c.text(p.WrittenBy)
	}
	c.disk(p.Target)
	c.disk(p.Source.Size)
	c.text(p.Source.Path)
	c.text(p.Source.Digest)
	c.u64(len(p.Source.Meaning))
	for _, s := range p.Source.Meaning {
		c.span(s)
	}
	c.u64(len(p.Pieces))
	for i := range p.Pieces {
		q := &p.Pieces[i]
		c.span(q.Span)
		c.sector(q.From)
		c.u64(int(q.Rank))
		c.text(q.Op.String())
		c.text(q.Why.String())
	}
	c.u64(len(p.Dropped))
	for _, d := range p.Dropped {
		c.span(d.Span)
		c.text(string(d.Role))
		c.text(d.Name)
		c.text(d.Why)
	}
	c.u64(len(p.Findings))
	for _, f := range p.Findings {
		c.finding(f)
	}
	if err := c.pool(p.Rendered); err != nil {
		return "", err
	}
	if p.Sees != 0 {
		c.sector(p.Sees)
	}
	if len(p.Choices) > 0 {
		c.text("choices") // so that a number of choices is no sector
		c.u64(len(p.Choices))
		for _, choice := range p.Choices {
			c.text(choice)
		}
	}
	c.flush()
	return hex.EncodeToString(c.hash.Sum(nil)), nil
}

// canon hashes the canonical form through a small buffer.
type canon struct {
	hash hash.Hash
	buf  []byte
}

// flush hands over what is buffered.
func (c *canon) flush() {
	c.hash.Write(c.buf)
	c.buf = c.buf[:0]
}

func (c *canon) raw(s string) {
	c.buf = append(c.buf, s...)
	if len(c.buf) > 8<<10 {
		c.flush()
	}
}

func (c *canon) number(n uint64) {
	c.buf = binary.BigEndian.AppendUint64(c.buf, n)
	if len(c.buf) > 8<<10 {
		c.flush()
	}
}

func (c *canon) u64(n int)            { c.number(uint64(n)) }
func (c *canon) sector(x disk.Sector) { c.number(uint64(x)) }
func (c *canon) text(s string)        { c.u64(len(s)); c.raw(s) }
func (c *canon) disk(d Size)          { c.sector(d.Sectors); c.u64(d.SectorSize) }
func (c *canon) span(s disk.Span)     { c.sector(s.Start); c.sector(s.Count) }

func (c *canon) finding(f disk.Finding) {
	c.text(string(f.Code))
	c.text(string(f.Severity))
	c.sector(f.Sector)
	c.text(f.Text)
	if f.Accepted {
		c.u64(1)
	} else {
		c.u64(0)
	}
}

func (c *canon) pool(p Pool) error {
	if p == nil {
		c.u64(0)
		c.flush()
		return nil
	}
	c.u64(int(p.Size()))
	c.flush()
	if err := hashRange(c.hash, p, 0, p.Size(), make([]byte, block)); err != nil {
		return fmt.Errorf("reading the rendered bytes: %w", err)
	}
	return nil
}

// MeaningDigest returns the digest of the given sectors of a source: SHA-256
// in lower-case hex over their bytes, in order, with nothing between.
func MeaningDigest(src io.ReaderAt, sectorSize int, meaning disk.Spans) (string, error) {
	h := sha256.New()
	buf := make([]byte, 16*block)
	for _, s := range meaning {
		if err := hashRange(h, src, int64(s.Start)*int64(sectorSize), int64(s.Count)*int64(sectorSize), buf); err != nil {
			return "", fmt.Errorf("reading sectors %s: %w", s, err)
		}
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// hashRange feeds size bytes of r, from byte off, to h.
func hashRange(h hash.Hash, r io.ReaderAt, off, size int64, buf []byte) error {
	for size > 0 {
		b := buf[:min(size, int64(len(buf)))]
		if n, err := r.ReadAt(b, off); n < len(b) {
			if err == nil || err == io.EOF {
				err = io.ErrUnexpectedEOF
			}
			return fmt.Errorf("at byte %d: %w", off+int64(n), err)
		}
		h.Write(b)
		off += int64(len(b))
		size -= int64(len(b))
	}
	return nil
}
