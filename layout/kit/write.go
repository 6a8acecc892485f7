package kit

import (
	"archive/zip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"io"
	"slices"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Patch overwrites bytes of one sector on their way into a kit.
type Patch struct {
	Sector disk.Sector
	Offset int
	Bytes  []byte
	What   string
}

// Contents are what goes into a kit. The hashes in the manifest, its list of
// blanked bytes and what it says of the rules are made by Write.
type Contents struct {
	Manifest
	Source  image.Source // the drive, or what is known of it
	Patches []Patch
	RuleSet []byte // a rule file, or nil
}

// Names of the files in the ZIP.
const (
	manifestName = "manifest.json"
	readmeName   = "README.txt"
	rulesName    = "rules.json"
)

// step is how many bytes of a span are read at once: by hand, no source.
const step = 1 << 20

// Write writes a kit and returns its manifest as written. Contents that break a
// bound of a kit are an error before anything is written; a kit that would be too
// large is a *TooLargeError.
func Write(w io.Writer, c *Contents) (*Manifest, error) {
	m := c.Manifest
	m.Kind, m.Schema = Kind, Schema
	if m.WrittenBy == "" {
		m.Schema = 1
	}
	m.Spans = slices.Clone(c.Spans)
	bytes := int64(m.Stored()) * int64(m.SectorSize)
	if bytes > MaxBytes && !m.FactsOnly {
		return nil, &TooLargeError{bytes}
	}
	if err := m.checkMarks(); err != nil {
		return nil, fmt.Errorf("the manifest of the kit: %w", err)
	}
	sums := make([]uint32, len(m.Spans))
	for i := range m.Spans {
		s := &m.Spans[i]
		if m.FactsOnly && s.State == Stored {
			s.State = Described
		}
		if s.State != Stored && s.State != Described {
			continue
		}
		crc, digest := crc32.NewIEEE(), sha256.New()
		if err := c.copy(io.MultiWriter(crc, digest), s.Span); err != nil {
			return nil, err
		}
		sums[i], s.SHA256 = crc.Sum32(), hex.EncodeToString(digest.Sum(nil))
	}
	m.Blanked = slices.Clone(m.Blanked)
	for _, p := range c.Patches {
		m.Blanked = append(m.Blanked, Mark{p.Sector, p.Offset, len(p.Bytes), p.What})
	}
	if c.RuleSet != nil {
		digest := sha256.Sum256(c.RuleSet)
		m.Rules = &RulesOf{int64(len(c.RuleSet)), hex.EncodeToString(digest[:])}
	}
	return &m, c.pack(w, &m, sums)
}

// pack writes the ZIP.
func (c *Contents) pack(w io.Writer, m *Manifest, sums []uint32) error {
	m.tidy()
	if err := m.check(); err != nil {
		return fmt.Errorf("the manifest of the kit: %w", err)
	}
	text, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		return err
	}
	text = append(text, '\n')
	total := int64(len(text)+len(c.RuleSet)) + maxReadme + int64(m.Stored())*int64(m.SectorSize) +
		256*int64(len(m.Spans)+4)
	if total > MaxBytes || len(text) > maxManifest {
		return &TooLargeError{total}
	}
	z := zip.NewWriter(w)
	for _, f := range []struct {
		name string
		data []byte
	}{{manifestName, text}, {readmeName, []byte(m.readme())}, {rulesName, c.RuleSet}} {
		if f.data == nil {
			continue
		}
		out, err := entry(z, f.name, int64(len(f.data)), crc32.ChecksumIEEE(f.data))
		if err == nil {
			_, err = out.Write(f.data)
		}
		if err != nil {
			return err
		}
	}
	for i, s := range m.Spans {
		if s.State != Stored {
			continue
		}
		if err := c.packSpan(z, s, int64(m.SectorSize), sums[i]); err != nil {
			return err
		}
	}
	return z.Close()
}

// packSpan writes the sectors of one span, and proves that the source gave the
// same bytes as before.
func (c *Contents) packSpan(z *zip.Writer, s Span, size int64, crc uint32) error {
	out, err := entry(z, s.name(), int64(s.Count)*size, crc)
	if err != nil {
		return err
	}
	digest := sha256.New()
	if err := c.copy(io.MultiWriter(out, digest), s.Span); err != nil {
		return err
	}
	if hex.EncodeToString(digest.Sum(nil)) != s.SHA256 {
		return fmt.Errorf("sectors %s of the source changed while the kit was made", s.Span)
	}
	return nil
}

// entry begins a file of the ZIP, stored as it is. Its size and CRC are
// known, so that they stand before its bytes.
func entry(z *zip.Writer, name string, size int64, crc uint32) (io.Writer, error) {
	h := &zip.FileHeader{Name: name, Method: zip.Store, CRC32: crc, CompressedSize64: uint64(size),
		UncompressedSize64: uint64(size)}
	//lint:ignore SA1019 a time set by Modified adds the moment to every file a second time
	h.ModifiedDate = 1<<5 | 1 // 1 January 1980, where the dates of a ZIP begin
	return z.CreateRaw(h)
}

// copy writes the bytes of a span with all patches in it, and zeros for what is
// masked.
func (c *Contents) copy(w io.Writer, span disk.Span) error {
	size := int64(c.SectorSize)
	for at := span.Start; at < span.End(); {
		part := disk.Between(at, min(span.End(), at+disk.Sector(step/size)))
		b, err := image.ReadSectors(c.Source, part)
		if err != nil {
			return err
		}
		for _, p := range c.Patches {
			if part.Holds(p.Sector) {
				copy(b[int64(p.Sector-part.Start)*size+int64(p.Offset):], p.Bytes)
			}
		}
		for _, k := range c.Masked {
			if part.Holds(k.Sector) {
				clear(b[int64(k.Sector-part.Start)*size+int64(k.Offset):][:k.Count])
			}
		}
		if _, err := w.Write(b); err != nil {
			return err
		}
		at = part.End()
	}
	return nil
}

// tidy makes lists that are empty lists in the JSON too.
func (m *Manifest) tidy() {
	m.Notes = append([]string{}, m.Notes...)
	m.Spans = append([]Span{}, m.Spans...)
	m.Identity = append([]Mark{}, m.Identity...)
	m.Blanked = append([]Mark{}, m.Blanked...)
	f := &m.Facts
	f.Entries = append([]Entry{}, f.Entries...)
	f.Volumes = append([]Volume{}, f.Volumes...)
	f.Regions = append([]Region{}, f.Regions...)
	f.Fields = append([]layout.Field{}, f.Fields...)
}
