package kit

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// Sizes and signatures of the ZIP format (APPNOTE.TXT 6.3, sections 4.3.7 and
// 4.3.16): the header of a file, and the record at the end of the directory.
const (
	localSize = 30
	endSize   = 22
	localSign = "PK\x03\x04"
	endSign   = "PK\x05\x06"

	maxDirectory = 1 << 20 // bytes: one line of it has about 80
)

// Is tells whether a file begins as a kit does: a ZIP whose first file is our
// manifest.
func Is(r io.ReaderAt) bool {
	is, err := begins(r)
	return is && err == nil
}

func begins(r io.ReaderAt) (bool, error) {
	b := make([]byte, localSize+len(manifestName)+len(opening))
	if n, err := r.ReadAt(b, 0); n < len(b) {
		if errors.Is(err, io.EOF) {
			err = nil
		}
		return false, err
	}
	return string(b[:4]) == localSign &&
		int(binary.LittleEndian.Uint16(b[26:])) == len(manifestName) && binary.LittleEndian.Uint16(b[28:]) == 0 &&
		string(b[localSize:]) == manifestName+opening, nil
}

// opening is how every manifest begins.
const opening = "{\n \"kind\": \"" + Kind + "\""

// Open reads a kit of the given size in bytes and proves all of it: bounds,
// places, and the hash of every span. r is used as long as the Kit is. An error
// is a *PartError or a failed read.
func Open(r io.ReaderAt, size int64) (*Kit, error) {
	is, err := begins(r)
	if err != nil {
		return nil, fmt.Errorf("reading the start of the kit: %w", err)
	}
	if !is {
		return nil, &PartError{"", disk.Absent, "it does not begin with " + manifestName}
	}
	if size > MaxBytes {
		return nil, malformed("", "it has %d bytes, and a kit at most %d", size, MaxBytes)
	}
	if err := checkEnd(r, size); err != nil {
		return nil, err
	}
	z, err := zip.NewReader(r, size)
	if err != nil {
		return nil, zipError("", err)
	}
	o := &opener{r: r, files: z.File}
	k, err := o.open()
	if err != nil {
		return nil, err
	}
	return k, nil
}

func malformed(part, why string, args ...any) error {
	return &PartError{part, disk.Malformed, fmt.Sprintf(why, args...)}
}

// zipError tells a ZIP that breaks its own form from one that cannot be read.
func zipError(part string, err error) error {
	for _, broken := range []error{zip.ErrFormat, zip.ErrAlgorithm, zip.ErrChecksum, io.EOF, io.ErrUnexpectedEOF} {
		if errors.Is(err, broken) {
			return malformed(part, "%v", err)
		}
	}
	return fmt.Errorf("reading the kit: %w", err)
}

// checkEnd bounds the directory of the ZIP before it is read.
func checkEnd(r io.ReaderAt, size int64) error {
	var b [endSize]byte
	if size < endSize {
		return malformed("", "it is cut off")
	}
	if err := image.ReadFull(r, b[:], size-endSize); err != nil {
		return fmt.Errorf("reading the end of the kit: %w", err)
	}
	count := binary.LittleEndian.Uint16(b[10:])
	length, start := int64(binary.LittleEndian.Uint32(b[12:])), int64(binary.LittleEndian.Uint32(b[16:]))
	switch {
	case string(b[:4]) != endSign:
		return malformed("", "the record at the end of a ZIP is not there: it is cut off, or something was added")
	case int(count) > MaxSpans+3 || length > maxDirectory || start+length+endSize != size:
		return malformed("", "its directory has %d files in %d bytes from byte %d, which no kit has", count, length, start)
	}
	return nil
}

// opener takes the files of a ZIP in the order in which a kit has them.
type opener struct {
	r     io.ReaderAt
	files []*zip.File
	end   int64 // of what was taken so far, in the file
}

// next takes the next file, which must be called name and have so many bytes;
// most bounds a size that is not known.
func (o *opener) next(name string, size, most int64) (at int64, f *zip.File, err error) {
	if len(o.files) == 0 {
		return 0, nil, malformed(name, "it is not there")
	}
	f = o.files[0]
	o.files = o.files[1:]
	if f.Name != name {
		return 0, nil, malformed(name, "%q stands in its place", short(f.Name))
	}
	if f.Method != zip.Store || f.Flags&1 != 0 || f.CompressedSize64 != f.UncompressedSize64 {
		return 0, nil, &PartError{name, disk.Unsupported, "it is compressed or encrypted: the kit was packed again by " +
			"another program"}
	}
	if n := f.UncompressedSize64; n > uint64(most) || size >= 0 && n != uint64(size) {
		return 0, nil, malformed(name, "it has %d bytes", n)
	}
	if at, err = f.DataOffset(); err != nil {
		return 0, nil, zipError(name, err)
	}
	if at < o.end {
		return 0, nil, malformed(name, "its bytes are those of another file in the kit")
	}
	o.end = at + int64(f.UncompressedSize64)
	return at, f, nil
}

// text takes a file of words: as a whole, and checked by the ZIP's own number.
func (o *opener) text(name string, most int64) ([]byte, error) {
	at, f, err := o.next(name, -1, most)
	if err != nil {
		return nil, err
	}
	b := make([]byte, f.UncompressedSize64)
	if err := image.ReadFull(o.r, b, at); err != nil {
		return nil, fmt.Errorf("reading %s of the kit: %w", name, err)
	}
	if sum := crc32.ChecksumIEEE(b); sum != f.CRC32 {
		return nil, malformed(name, "its CRC is %08x and should be %08x", sum, f.CRC32)
	}
	return b, nil
}

func (o *opener) open() (*Kit, error) {
	text, err := o.text(manifestName, maxManifest)
	if err != nil {
		return nil, err
	}
	k := &Kit{r: o.r}
	if err := decode(text, &k.Manifest); err != nil {
		return nil, err
	}
	if _, err := o.text(readmeName, maxReadme); err != nil {
		return nil, err
	}
	if r := k.Manifest.Rules; r != nil {
		if k.rules, err = o.text(rulesName, MaxRules); err != nil {
			return nil, err
		}
		if sum := sha256.Sum256(k.rules); hex.EncodeToString(sum[:]) != r.SHA256 || int64(len(k.rules)) != r.Bytes {
			return nil, malformed(rulesName, "it is not the one that the manifest names")
		}
	}
	k.at = make([]int64, len(k.Spans))
	for i, s := range k.Spans {
		if s.State != Stored {
			continue
		}
		if k.at[i], err = o.span(s, int64(k.Manifest.SectorSize)); err != nil {
			return nil, err
		}
	}
	if len(o.files) > 0 {
		return nil, malformed(short(o.files[0].Name), "nothing of that name belongs into this kit")
	}
	return k, nil
}

// decode reads a manifest, strictly.
func decode(text []byte, m *Manifest) error {
	d := json.NewDecoder(bytes.NewReader(text))
	var head struct{ Schema int64 }
	if err := json.Unmarshal(text, &head); err == nil && head.Schema > Schema {
		return &disk.NewerFormError{What: "kit", Form: head.Schema, Most: Schema}
	}
	if err := layout.NoKeyTwice(text); err != nil {
		return malformed(manifestName, "%v", err)
	}
	d.DisallowUnknownFields()
	if err := d.Decode(m); err != nil {
		return malformed(manifestName, "%v", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return malformed(manifestName, "something follows the object")
	}
	if err := m.check(); err != nil {
		return malformed(manifestName, "%v", err)
	}
	return nil
}

// span takes the sectors of one span and proves their hash.
func (o *opener) span(s Span, size int64) (at int64, err error) {
	n := int64(s.Count) * size
	if at, _, err = o.next(s.name(), n, n); err != nil {
		return 0, err
	}
	digest := sha256.New()
	if _, err := io.Copy(digest, io.NewSectionReader(o.r, at, n)); err != nil {
		return 0, fmt.Errorf("reading %s of the kit: %w", s.name(), err)
	}
	if sum := hex.EncodeToString(digest.Sum(nil)); sum != s.SHA256 {
		return 0, malformed(s.name(), "its SHA-256 is %s and should be %s", sum, s.SHA256)
	}
	return at, nil
}

// short keeps a name from a kit readable in an error.
func short(name string) string {
	const most = 60
	if len(name) > most {
		return name[:most] + "..."
	}
	return name
}
