package candidate

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Encoding is a way to write an unsigned number into a fixed run of bytes.
//
//	u8                         one byte
//	le16 le24 le32 le48 le64   least significant byte first
//	be16 be24 be32 be48 be64   most significant byte first
//	le32-swap16 ...            as above, then the bytes of every 16-bit word exchanged:
//	                           be32-swap16 is a high word first, each word little-endian
//	le64-swap32 be64-swap32    as above, then every 32-bit word reversed
//	bcd2 .. bcd6, lebcd2 ..    two decimal digits a byte, first or last byte highest
//	dec4 .. dec12              decimal text, zeros in front; sdec4 .. with spaces in front
//	hex4 .. hex12, HEX4 ..     hexadecimal text, zeros in front
type Encoding string

// Binary lists the encodings of plain numbers, usual ones first.
var Binary = []Encoding{
	"le32", "be32", "le16", "be16", "le64", "be64", "be32-swap16", "le32-swap16",
	"le24", "be24", "le48", "be48", "be64-swap16", "le64-swap16", "be64-swap32", "le64-swap32",
	"be48-swap16", "le48-swap16",
}

// Coded lists the encodings that take decimal digits a byte or half a byte.
var Coded = codedNames()

func codedNames() []Encoding {
	var out []Encoding
	for w := 2; w <= 6; w++ {
		out = append(out, Encoding(fmt.Sprintf("bcd%d", w)), Encoding(fmt.Sprintf("lebcd%d", w)))
	}
	for w := 4; w <= 12; w++ {
		for _, k := range []string{"dec", "sdec", "hex", "HEX"} {
			out = append(out, Encoding(fmt.Sprintf("%s%d", k, w)))
		}
	}
	return out
}

// Form is an Encoding taken apart, for use in loops.
type Form struct {
	Encoding Encoding
	Width    int    // bytes
	order    []int  // binary: place of each byte, the least significant first
	kind     string // coded: bcd, lebcd, dec, sdec, hex, HEX
}

var forms = allForms()

func allForms() map[Encoding]*Form {
	out := map[Encoding]*Form{"u8": {Encoding: "u8", Width: 1, order: []int{0}}}
	for _, e := range Binary {
		out[e] = binaryForm(e)
	}
	for _, e := range Coded {
		kind := strings.TrimRight(string(e), "0123456789")
		w, err := strconv.Atoi(string(e)[len(kind):])
		if err != nil {
			panic(err)
		}
		out[e] = &Form{Encoding: e, Width: w, kind: kind}
	}
	return out
}

func binaryForm(e Encoding) *Form {
	name, swap, _ := strings.Cut(string(e), "-swap")
	bits, err := strconv.Atoi(name[2:])
	if err != nil {
		panic(err)
	}
	f := &Form{Encoding: e, Width: bits / 8}
	place := make([]int, f.Width) // place[i]: where byte i of the plain form lies
	for i := range place {
		place[i] = i
	}
	if swap != "" {
		n, err := strconv.Atoi(swap)
		if err != nil {
			panic(err)
		}
		for i := 0; i < f.Width; i += n / 8 {
			slices.Reverse(place[i : i+n/8])
		}
	}
	if name[0] == 'b' {
		slices.Reverse(place)
	}
	f.order = place
	return f
}

// FormOf returns the form of an encoding, or an error if there is none of
// that name.
func FormOf(e Encoding) (*Form, error) {
	if f, ok := forms[e]; ok {
		return f, nil
	}
	return nil, fmt.Errorf("no encoding is called %q", e)
}

// Low returns the place, in the bytes of the form, of the neighbour that a
// less significant byte would have: -1 for the byte before, Width for the byte
// after. It is 0 for forms whose bytes are not in order.
func (f *Form) Low() int {
	switch {
	case f.kind == "lebcd" || f.kind == "" && slices.IsSorted(f.order):
		return -1
	case f.kind != "" || f.order[0] == f.Width-1 && f.order[f.Width-1] == 0 && f.order[1] == f.Width-2:
		return f.Width
	}
	return 0
}

// Digits tells whether the number is written as text.
func (f *Form) Digits() bool { return f.kind != "" && f.kind != "bcd" && f.kind != "lebcd" }

// Any tells whether any bytes are a number in this encoding.
func (f *Form) Any() bool { return f.kind == "" }

// Decode returns the number in the first Width bytes of b; ok is false if
// they are none in this encoding.
func (f *Form) Decode(b []byte) (v uint64, ok bool) {
	if f.kind == "" {
		for i, p := range f.order {
			v |= uint64(b[p]) << (8 * i)
		}
		return v, true
	}
	b = b[:f.Width]
	if f.kind == "bcd" || f.kind == "lebcd" {
		for i := range b {
			c := b[i]
			if f.kind == "lebcd" {
				c = b[len(b)-1-i]
			}
			if c>>4 > 9 || c&15 > 9 {
				return 0, false
			}
			v = v*100 + uint64(c>>4)*10 + uint64(c&15)
		}
		return v, true
	}
	return f.text(b)
}

// digits are those of a number that is written as text.
func (f *Form) digits() string {
	switch f.kind {
	case "hex":
		return "0123456789abcdef"
	case "HEX":
		return "0123456789ABCDEF"
	}
	return "0123456789"
}

// text reads digits; spaces may stand before them only where they pad.
func (f *Form) text(b []byte) (v uint64, ok bool) {
	if f.kind == "sdec" {
		for len(b) > 1 && b[0] == ' ' {
			b = b[1:]
		}
		if b[0] == '0' && len(b) > 1 {
			return 0, false
		}
	}
	digits := f.digits()
	for _, c := range b {
		d := strings.IndexByte(digits, c)
		if d < 0 {
			return 0, false
		}
		v = v*uint64(len(digits)) + uint64(d)
	}
	return v, true
}

// Encode writes v into the first Width bytes of b. It fails, and leaves b
// alone, if v is too wide.
func (f *Form) Encode(b []byte, v uint64) error {
	out := make([]byte, f.Width)
	rest := v
	switch f.kind {
	case "":
		for i, p := range f.order {
			out[p] = byte(v >> (8 * i))
		}
		if f.Width < 8 {
			rest = v >> (8 * f.Width)
		} else {
			rest = 0
		}
	case "bcd", "lebcd":
		for i := range out {
			d := rest % 100
			rest /= 100
			out[i] = byte(d/10<<4 | d%10)
		}
		if f.kind == "bcd" {
			slices.Reverse(out)
		}
	default:
		rest = f.putText(out, v)
	}
	if rest != 0 {
		return fmt.Errorf("%d is too wide for %s (%d bytes)", v, f.Encoding, f.Width)
	}
	copy(b, out)
	return nil
}

// putText writes digits from the right and returns what did not fit.
func (f *Form) putText(out []byte, v uint64) (rest uint64) {
	verb := map[string]string{"dec": "%0*d", "sdec": "%*d", "hex": "%0*x", "HEX": "%0*X"}[f.kind]
	s := fmt.Sprintf(verb, f.Width, v)
	if len(s) > f.Width {
		return 1
	}
	copy(out, s)
	return 0
}

// Text says for a person how a number is written.
func (e Encoding) Text() string {
	form, err := FormOf(e)
	if err != nil {
		return string(e)
	}
	name, swap, _ := strings.Cut(string(e), "-swap")
	n := form.Width
	switch kind := strings.TrimRight(name, "0123456789"); kind {
	case "u":
		return "1 byte"
	case "bcd":
		return fmt.Sprintf("%d bytes, two decimal digits each", n)
	case "lebcd":
		return fmt.Sprintf("%d bytes, two decimal digits each, the lowest first", n)
	case "dec":
		return fmt.Sprintf("%d decimal digits", n)
	case "sdec":
		return fmt.Sprintf("%d decimal digits, blanks in front", n)
	case "hex":
		return fmt.Sprintf("%d hexadecimal digits, small letters", n)
	case "HEX":
		return fmt.Sprintf("%d hexadecimal digits, capitals", n)
	case "be":
		return fmt.Sprintf("%d bytes, highest first%s", n, swapText(swap))
	default:
		return fmt.Sprintf("%d bytes, lowest first%s", n, swapText(swap))
	}
}

func swapText(bits string) string {
	switch bits {
	case "16":
		return ", then the bytes of each 16-bit word exchanged"
	case "32":
		return ", then each 32-bit word reversed"
	}
	return ""
}
