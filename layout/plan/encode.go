package plan

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"strconv"

	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Schema is the number of the newest form of plan file; Kind is what it calls
// itself. Form 1 had neither kind nor written_by, and is read too.
const (
	schema = 2
	Kind   = "plan"
)

// Encode writes the plan as one JSON object, as a stream. Every field is
// there, in this order, and no other, but for sees and choices:
//
//	schema    2
//	kind      "plan"
//	written_by  the version of the program that made it
//	target    {sectors, sector_size}
//	sees      how many sectors of the card its device sees; only where it sees fewer
//	source    {sectors, sector_size, path, digest, meaning: [{start, count}]}
//	pieces    [{start, count, op, from, why, rank}], one a line; from only for copy and render
//	reasons   {code: text}, those used, in the order of layout.Reasons
//	dropped   [{start, count, role, name, why}]
//	findings  [{code, severity, sector, text, accepted}]; sector is null if there is none
//	rendered  [base64 (RFC 4648, section 4)], each 48 KiB of bytes, the last what is left
//	choices   [text]: what the owner chose; only where that is anything
//	digest    Digest, see there
//
// All numbers count sectors of the disk in question, except sector_size, in
// bytes. A plan that fails Check is not written.
func Encode(w io.Writer, p *Plan) error { return encode(w, p, true, nil) }

// Beside is what an answer says of a plan that does not stand in its file, as it
// follows from the plan and its source.
type Beside struct {
	Key   string
	Value any // as encoding/json writes it
}

// Describe writes what Encode writes, but for the rendered bytes, and what is said
// beside it: the answer to a question about a plan. Decode does not read it.
func Describe(w io.Writer, p *Plan, beside ...Beside) error { return encode(w, p, false, beside) }

func encode(w io.Writer, p *Plan, rendered bool, beside []Beside) error {
	if err := p.Check(); err != nil {
		return err
	}
	digest, err := p.Digest()
	if err != nil {
		return err
	}
	e := &encoder{w: bufio.NewWriterSize(w, block)}
	e.printf("{\n\"schema\": %d,\n", p.form())
	if p.form() > 1 {
		e.printf("\"kind\": %q,\n\"written_by\": %s,\n", Kind, appendString(nil, p.WrittenBy))
	}
	e.printf("\"target\": {\"sectors\":%d,\"sector_size\":%d},\n", p.Target.Sectors, p.Target.SectorSize)
	if p.Sees != 0 {
		e.printf("\"sees\": %d,\n", p.Sees)
	}
	e.source(&p.Source)
	e.list("pieces", len(p.Pieces), func(b []byte, i int) []byte { return appendPiece(b, &p.Pieces[i]) })
	e.reasons(p.Reasons())
	e.list("dropped", len(p.Dropped), func(b []byte, i int) []byte { return appendDropped(b, &p.Dropped[i]) })
	e.list("findings", len(p.Findings), func(b []byte, i int) []byte { return appendFinding(b, &p.Findings[i]) })
	if rendered {
		if err := e.rendered(p.Rendered); err != nil {
			return err
		}
	}
	if len(p.Choices) > 0 {
		e.list("choices", len(p.Choices), func(b []byte, i int) []byte { return appendString(b, p.Choices[i]) })
	}
	for _, b := range beside {
		text, err := json.Marshal(b.Value)
		if err != nil {
			return err
		}
		e.printf("%q: %s,\n", b.Key, text)
	}
	e.printf("\"digest\": \"%s\"\n}\n", digest)
	return e.w.Flush()
}

// encoder leaves write errors to bufio.Writer, which keeps the first.
type encoder struct {
	w    *bufio.Writer
	line []byte
}

func (e *encoder) printf(format string, args ...any) { fmt.Fprintf(e.w, format, args...) }

// items writes "[", n elements one a line, and "]".
func (e *encoder) items(n int, appendItem func([]byte, int) []byte) {
	e.w.WriteByte('[')
	for i := range n {
		if i > 0 {
			e.w.WriteByte(',')
		}
		e.line = appendItem(append(e.line[:0], '\n'), i)
		e.w.Write(e.line)
	}
	if n > 0 {
		e.w.WriteByte('\n')
	}
	e.w.WriteByte(']')
}

func (e *encoder) list(name string, n int, appendItem func([]byte, int) []byte) {
	e.printf("%q: ", name)
	e.items(n, appendItem)
	e.w.WriteString(",\n")
}

func (e *encoder) source(s *Source) {
	e.printf("\"source\": {\"sectors\":%d,\"sector_size\":%d,\"path\":%s,\"digest\":\"%s\",\"meaning\":",
		s.Sectors, s.SectorSize, appendString(nil, s.Path), s.Digest)
	e.items(len(s.Meaning), func(b []byte, i int) []byte { return append(appendSpan(b, s.Meaning[i]), '}') })
	e.w.WriteString("},\n")
}

func (e *encoder) reasons(used []layout.Reason) {
	e.w.WriteString("\"reasons\": {")
	for i, r := range used {
		if i > 0 {
			e.w.WriteByte(',')
		}
		e.printf("\n%q:%s", r, appendString(nil, r.Text()))
	}
	e.w.WriteString("\n},\n")
}

func (e *encoder) rendered(pool Pool) error {
	var size int64
	if pool != nil {
		size = pool.Size()
	}
	buf := make([]byte, min(size, block))
	var failed error
	e.list("rendered", int((size+block-1)/block), func(b []byte, i int) []byte {
		if failed != nil {
			return b
		}
		part := buf[:min(size-int64(i)*block, block)]
		if n, err := pool.ReadAt(part, int64(i)*block); n < len(part) {
			failed = fmt.Errorf("reading the rendered bytes at %d: %w", int64(i)*block+int64(n), err)
			return b
		}
		b = base64.StdEncoding.AppendEncode(append(b, '"'), part)
		return append(b, '"')
	})
	return failed
}

func appendSpan(b []byte, s disk.Span) []byte {
	b = strconv.AppendInt(append(b, `{"start":`...), int64(s.Start), 10)
	return strconv.AppendInt(append(b, `,"count":`...), int64(s.Count), 10)
}

func appendPiece(b []byte, p *layout.Piece) []byte {
	b = appendSpan(b, p.Span)
	b = append(append(append(b, `,"op":"`...), p.Op.String()...), '"')
	if hasFrom(p.Op) {
		b = strconv.AppendInt(append(b, `,"from":`...), int64(p.From), 10)
	}
	b = append(append(append(b, `,"why":"`...), p.Why.String()...), '"')
	b = strconv.AppendUint(append(b, `,"rank":`...), uint64(p.Rank), 10)
	return append(b, '}')
}

func hasFrom(op layout.Op) bool { return op == layout.Copy || op == layout.Render }

func appendDropped(b []byte, d *Dropped) []byte {
	b = appendSpan(b, d.Span)
	b = appendString(append(b, `,"role":`...), string(d.Role))
	b = appendString(append(b, `,"name":`...), d.Name)
	b = appendString(append(b, `,"why":`...), d.Why)
	return append(b, '}')
}

func appendFinding(b []byte, f *disk.Finding) []byte {
	b = appendString(append(b, `{"code":`...), string(f.Code))
	b = appendString(append(b, `,"severity":`...), string(f.Severity))
	b = append(b, `,"sector":`...)
	if f.Sector == disk.NoSector {
		b = append(b, "null"...)
	} else {
		b = strconv.AppendInt(b, int64(f.Sector), 10)
	}
	b = appendString(append(b, `,"text":`...), f.Text)
	b = strconv.AppendBool(append(b, `,"accepted":`...), f.Accepted)
	return append(b, '}')
}

// appendString appends s as a JSON string that people can read: "<" stays "<".
func appendString(b []byte, s string) []byte {
	var text bytes.Buffer
	enc := json.NewEncoder(&text)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(s); err != nil {
		panic(err) // a string always encodes
	}
	return append(b, bytes.TrimSuffix(text.Bytes(), []byte{'\n'})...)
}
