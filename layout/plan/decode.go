package plan

import (
	"bytes"
	"errors"
	"fmt"
	"io"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Decode reads a plan file of size bytes, as Encode writes it: every field, in
// the order that Encode documents; white space between them is free. Anything
// else is refused with a FileError that names the byte of the file: an unknown,
// repeated or missing field, a wrong type, a plan that fails Check, a digest
// that does not fit, anything after the end.
//
// The rendered bytes stay in the file and are read from r when needed, so r
// must outlive the plan. They are checked again then: a file that was changed
// in between is an error, never other bytes.
func Decode(r io.ReaderAt, size int64) (*Plan, error) {
	d := &decoder{s: newScanner(r, size, 0), plan: &Plan{}, at: map[string]int64{}, why: map[string]layout.Reason{}}
	for _, reason := range layout.Reasons() {
		d.why[reason.String()] = reason
	}
	digest := d.object()
	if d.s.err != nil {
		return nil, d.s.err
	}
	if err := d.plan.Check(); err != nil {
		return nil, d.locate(err)
	}
	have, err := d.plan.Digest()
	if err != nil {
		return nil, err
	}
	if have != digest {
		err := &DigestError{Stated: digest, Content: have}
		return nil, &FileError{Offset: d.at["digest"], Why: err.Error(), Err: err}
	}
	return d.plan, nil
}

// DigestError says that a plan file was changed after it was written: it is a
// sound plan, but its check number is that of another.
type DigestError struct {
	Stated  string // what the file says
	Content string // Digest of what it holds
}

func (e *DigestError) Error() string {
	return fmt.Sprintf("the digest does not fit: the content has %s, not %.64q; the file was changed after it was written",
		e.Content, e.Stated)
}

type decoder struct {
	s    *scanner
	plan *Plan
	at   map[string]int64 // where the fields of the file have their values
	why  map[string]layout.Reason
	word []byte // room for one short text or one chunk of base64
}

func (d *decoder) object() (digest string) {
	s, p := d.s, d.plan
	s.first("schema")
	at, form := s.offset(), s.integer()
	switch {
	case s.err == nil && form > schema:
		err := &disk.NewerFormError{What: "plan", Form: form, Most: schema}
		s.err = &FileError{Offset: at, Why: err.Error(), Err: err}
	case s.err == nil && form < 1:
		s.failf(at, "there is no form %d of a plan", form)
	}
	if form > 1 {
		d.heading()
	}
	d.section("target")
	p.Target = d.disk()
	s.mark('}')
	d.sees()
	d.source()
	d.section("pieces")
	d.pieces()
	d.section("reasons")
	d.reasons()
	d.section("dropped")
	s.array(maxDropped, func(int, int64) { p.Dropped = append(p.Dropped, d.dropped()) })
	d.section("findings")
	s.array(maxFindings, func(int, int64) { p.Findings = append(p.Findings, d.finding()) })
	d.section("rendered")
	d.rendered()
	d.choices()
	word, _ := d.short()
	s.mark('}')
	if c := s.space(); s.err == nil && s.offset() < s.size {
		s.failf(s.offset(), "the plan has ended, but %s", s.found(c))
	}
	return string(word)
}

// heading reads what form 2 has before the target.
func (d *decoder) heading() {
	d.s.next("kind")
	if kind, at := d.short(); d.s.err == nil && string(kind) != Kind {
		d.s.failf(at, "it calls itself %q, not %q", kind, Kind)
	}
	d.section("written_by")
	d.plan.WrittenBy = d.s.text()
	if d.s.err == nil && d.plan.WrittenBy == "" {
		d.s.failf(d.at["written_by"], "it does not say which version wrote it")
	}
}

func (d *decoder) section(name string) {
	d.s.next(name)
	d.begins(name)
}

// begins notes where the value of a field stands.
func (d *decoder) begins(name string) {
	d.s.space()
	d.at[name] = d.s.offset()
}

// sees reads how much of the card the device sees, where the plan says so, and goes on
// to the source.
func (d *decoder) sees() {
	if d.s.either("source", "sees") == "source" {
		d.begins("source")
		return
	}
	d.begins("sees")
	if d.plan.Sees = d.sector(); d.plan.Sees == 0 {
		d.s.failf(d.at["sees"], "no device sees nothing of its card")
	}
	d.section("source")
}

// choices reads what the owner chose, where the plan says so, and goes on to the digest.
func (d *decoder) choices() {
	if d.s.either("digest", "choices") == "digest" {
		d.begins("digest")
		return
	}
	d.begins("choices")
	d.s.array(maxChoices, func(int, int64) { d.plan.Choices = append(d.plan.Choices, d.s.text()) })
	if len(d.plan.Choices) == 0 {
		d.s.failf(d.at["choices"], "a plan of which nothing was chosen has no choices")
	}
	d.section("digest")
}

func (d *decoder) sector() disk.Sector { return disk.Sector(d.s.integer()) }

// short reads a text that is a word, and returns where it stands: no word of
// a plan file is longer than its digest.
func (d *decoder) short() (word []byte, at int64) {
	d.s.space()
	at = d.s.offset()
	d.word = d.s.plain(d.word[:0], 64)
	return d.word, at
}

// disk reads the first two fields of an object and leaves it open.
func (d *decoder) disk() (disk Size) {
	d.s.first("sectors")
	disk.Sectors = d.sector()
	d.s.next("sector_size")
	at, n := d.s.offset(), d.s.integer()
	if n > 1<<20 {
		d.s.failf(at, "no sector has %d bytes", n)
		return disk
	}
	disk.SectorSize = int(n)
	return disk
}

func (d *decoder) span() (s disk.Span) {
	d.s.first("start")
	s.Start = d.sector()
	d.s.next("count")
	s.Count = d.sector()
	return s
}

func (d *decoder) source() {
	src := &d.plan.Source
	src.Size = d.disk()
	d.s.next("path")
	src.Path = d.s.text()
	d.s.next("digest")
	digest, _ := d.short()
	src.Digest = string(digest)
	d.s.next("meaning")
	d.s.array(maxMeaning, func(int, int64) {
		src.Meaning = append(src.Meaning, d.span())
		d.s.mark('}')
	})
	d.s.mark('}')
}

// pieces makes room for all pieces at once: growing step by step would take
// more than twice the memory.
func (d *decoder) pieces() {
	n := d.countPieces()
	if n > 0 {
		d.plan.Pieces = make([]layout.Piece, 0, n)
	}
	d.s.array(maxPieces, func(int, int64) { d.plan.Pieces = append(d.plan.Pieces, d.piece()) })
}

// countPieces looks ahead to the end of the array and returns how many pieces
// it can hold. It only decides how much room is made.
func (d *decoder) countPieces() int {
	const shortest = len(`{"start":0,"count":1,"op":"zero","why":"rule","rank":0}`)
	var braces, length int64
	buf := make([]byte, block)
	for at := d.s.offset(); at < d.s.size; at += int64(len(buf)) {
		n, _ := d.s.r.ReadAt(buf[:min(int64(len(buf)), d.s.size-at)], at)
		b := buf[:n]
		end := bytes.IndexByte(b, ']')
		if end >= 0 {
			b = b[:end]
		}
		braces += int64(bytes.Count(b, []byte{'{'}))
		length += int64(len(b))
		if end >= 0 || n < len(buf) {
			break
		}
	}
	return int(min(braces, length/int64(shortest)+1, maxPieces))
}

func (d *decoder) piece() (p layout.Piece) {
	s := d.s
	p.Span = d.span()
	s.next("op")
	word, at := d.short()
	if err := p.Op.UnmarshalText(word); err != nil {
		s.failf(at, "%v", err)
	}
	if hasFrom(p.Op) {
		s.next("from")
		p.From = d.sector()
	}
	s.next("why")
	word, at = d.short()
	if p.Why = d.why[string(word)]; p.Why == 0 {
		s.failf(at, "%q is no reason that this version knows", word)
	}
	s.next("rank")
	at = s.offset()
	rank := s.integer()
	if rank > int64(layout.RankSector0) {
		s.failf(at, "there is no rank %d", rank)
	}
	p.Rank = layout.Rank(rank)
	s.mark('}')
	return p
}

func (d *decoder) reasons() {
	s := d.s
	s.mark('{')
	for i, r := range d.plan.Reasons() {
		s.field(r.String(), i == 0)
		s.space()
		at := s.offset()
		if text := s.text(); s.err == nil && text != r.Text() {
			s.failf(at, "the reason %q does not have this text", r)
		}
	}
	s.mark('}')
}

func (d *decoder) dropped() (out Dropped) {
	s := d.s
	out.Span = d.span()
	s.next("role")
	out.Role = layout.Role(s.text())
	s.next("name")
	out.Name = s.text()
	s.next("why")
	out.Why = s.text()
	s.mark('}')
	return out
}

func (d *decoder) finding() (f disk.Finding) {
	s := d.s
	s.first("code")
	f.Code = disk.Code(s.text())
	s.next("severity")
	f.Severity = disk.Severity(s.text())
	s.next("sector")
	if s.space() == 'n' {
		s.word("null")
		f.Sector = disk.NoSector
	} else {
		f.Sector = d.sector()
	}
	s.next("text")
	f.Text = s.text()
	s.next("accepted")
	f.Accepted = s.boolean()
	s.mark('}')
	return f
}

func (d *decoder) rendered() {
	s := d.s
	pool := newFilePool(s.r)
	s.array(maxChunks, func(_ int, at int64) {
		d.word = s.plain(d.word[:0], strict.EncodedLen(block))
		if s.err != nil {
			return
		}
		if err := pool.add(at+1, d.word); err != nil { // after the quote
			s.failf(at, "%v", err)
		}
	})
	if pool.size > 0 {
		d.plan.Rendered = pool
	}
}

// locate adds to a ProofError where in the file its part stands.
func (d *decoder) locate(err error) error {
	var proof *ProofError
	if !errors.As(err, &proof) {
		return err
	}
	at := d.at[proof.Part]
	if proof.Part == "pieces" && proof.Index >= 0 {
		// The offsets were not kept: a million of them would cost as much
		// as the pieces. They are found again by reading up to this one.
		again := &decoder{s: newScanner(d.s.r, d.s.size, at), why: d.why}
		again.s.array(proof.Index+1, func(_ int, begin int64) {
			at = begin
			again.piece()
		})
	}
	return &FileError{Offset: at, Why: err.Error(), Err: err}
}
