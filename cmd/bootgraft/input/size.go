package input

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
)

// Size is a disk size as a person gives it.
type Size struct {
	Sectors disk.Sector
	Bytes   int64
	Nominal bool // as printed on a package: never the size of a real card
	bare    bool // a number without a unit: bytes
}

var sizeUnits = []struct {
	suffix  string
	bytes   int64
	nominal bool
}{
	{"tib", 1 << 40, false}, {"gib", 1 << 30, false}, {"mib", 1 << 20, false}, {"kib", 1 << 10, false},
	{"tb", 1e12, true}, {"gb", 1e9, true}, {"mb", 1e6, true}, {"kb", 1e3, true},
	{"bytes", 1, false}, {"b", 1, false},
}

// halfUnits are units of which nobody can tell whether they are decimal, as on
// a package, or binary, as in many programs.
var halfUnits = map[byte]string{'t': "T", 'g': "G", 'm': "M", 'k': "k"}

// halfUnit says which two sizes 16G may mean.
func halfUnit(text, low string) error {
	unit := halfUnits[low[len(low)-1]]
	number := strings.TrimSpace(text[:len(text)-1])
	binary := strings.ToUpper(unit)
	return talk.Usagef(
		"the size %q can mean two sizes: %s%sB, decimal, as printed on a package, or %s%siB, binary. "+
			"Write the one that is meant, or better the number of sectors of the card at hand (31116288s)",
		text, number, unit, number, binary)
}

// leastPart is the smallest part of a drive that a bare number is believed to
// mean for a card: a card hundreds of times smaller than its drive is a number of
// sectors without its s.
const leastPart = 16

// AsCard asks about a bare number that makes no card for a drive of so many
// sectors: it is bytes, and was probably meant as sectors.
func (s Size) AsCard(source disk.Sector, text string) error {
	if !s.bare || s.Sectors >= source/leastPart {
		return nil
	}
	text = strings.ReplaceAll(strings.TrimSpace(text), ",", "")
	return talk.Usagef(
		"the size %s is a number of bytes, as it has no unit: %s, and the source has %s. Did you mean %ss, "+
			"which are sectors? If the card really is that small, write %sB",
		text, disk.Counted(s.Sectors, "sector"), disk.Counted(source, "sector"), text, text)
}

// ungrouped takes the commas out of a number. They may only part the thousands:
// 1,5 is one and a half in half of the world, and not 15.
func ungrouped(number string) (plain string, ok bool) {
	groups := strings.Split(number, ",")
	last := len(groups) - 1
	whole, fraction, point := strings.Cut(groups[last], ".")
	if last > 0 {
		for i, g := range append(groups[:last:last], whole) {
			if len(g) > 3 || len(g) == 0 || i > 0 && len(g) != 3 || strings.Trim(g, "0123456789") != "" {
				return "", false
			}
		}
	}
	plain = strings.Join(append(groups[:last:last], whole), "")
	if point {
		plain += "." + fraction
	}
	return plain, true
}

// ParseSize reads 39070080s (sectors), plain bytes, 16GB (16*10^9) or 16GiB.
// Large and small letters are the same, and a blank may stand before the unit.
func ParseSize(text string, sectorSize int) (Size, error) {
	low := strings.ToLower(strings.TrimSpace(text))
	number, unit, s := low, int64(1), Size{bare: true}
	if n, ok := cutSectors(low); ok {
		number, unit, s.bare = n, int64(sectorSize), false
	} else if low != "" && halfUnits[low[len(low)-1]] != "" && strings.ContainsAny(low[:1], "0123456789.") {
		return Size{}, halfUnit(strings.TrimSpace(text), low)
	} else {
		for _, u := range sizeUnits {
			if n, ok := strings.CutSuffix(low, u.suffix); ok {
				number, unit, s.Nominal, s.bare = n, u.bytes, u.nominal, false
				break
			}
		}
	}
	var why string
	if s.Bytes, why = sizeBytes(text, number, unit, unit == int64(sectorSize)); why == "" {
		s.Sectors = disk.Sector(s.Bytes / int64(sectorSize))
		why = s.impossible(unit, int64(sectorSize))
	}
	if why != "" {
		return Size{}, talk.Usagef(
			"the size %q is not understood: %s. A size is a number of sectors (39070080s), of bytes (20003880960), "+
				"or has a unit (16GB, 16GiB)",
			text, why)
	}
	return s, nil
}

// sizeBytes multiplies the number of a text by its unit in bytes. why says why that
// is no size. Of a unit that is whole there are no parts.
func sizeBytes(text, number string, unit int64, whole bool) (bytes int64, why string) {
	number, ok := ungrouped(strings.TrimSpace(number))
	if !ok {
		return 0, fmt.Sprintf("a comma stands between groups of three digits, and a point before a fraction, as in %s",
			strings.Replace(text, ",", ".", 1))
	}
	n, err := strconv.ParseInt(number, 10, 64)
	switch {
	case err == nil && n > math.MaxInt64/unit:
		return 0, "it is too large"
	case err == nil:
		bytes = n * unit
	case unit > 1 && !whole:
		f, err := strconv.ParseFloat(number, 64)
		if err != nil || f < 0 || f*float64(unit) > math.MaxInt64/2 {
			return 0, "no number stands before the unit"
		}
		bytes = int64(math.Round(f * float64(unit)))
	default:
		return 0, "it is no whole number"
	}
	if bytes <= 0 {
		return 0, "it must be more than nothing"
	}
	return bytes, ""
}

// impossible says why no disk has the size, which was given in a unit; empty if one may.
func (s Size) impossible(unit, sectorSize int64) string {
	switch {
	case unit == 1 && s.Bytes%sectorSize != 0:
		hint := ""
		if s.bare {
			hint = fmt.Sprintf("; did you mean %ds, which are sectors?", s.Bytes)
		}
		return fmt.Sprintf("%d bytes are not whole sectors of %d%s", s.Bytes, sectorSize, hint)
	case s.Sectors == 0:
		return "it is less than one sector"
	}
	return ""
}

// cutSectors returns the number before the unit of sectors.
func cutSectors(low string) (string, bool) {
	for _, unit := range []string{"sectors", "sector", "s"} {
		if n, ok := strings.CutSuffix(low, unit); ok && !strings.HasSuffix(n, "byte") {
			return n, true
		}
	}
	return low, false
}

// ParseCount reads a number of sectors, with or without an s behind it.
func ParseCount(text string) (disk.Sector, error) {
	plain, ok := ungrouped(strings.TrimSuffix(text, "s"))
	n, err := strconv.ParseInt(plain, 10, 64)
	if !ok || err != nil || n <= 0 || n > 1<<48 {
		return 0, talk.Usagef("--sectors %s is not understood: it is the number of sectors of the drive, as in 39070080",
			text)
	}
	return disk.Sector(n), nil
}

// ParseEnds reads how much of the head and of the tail of a drive is meant.
func ParseEnds(head, tail string, sectorSize int) (first, last Size, err error) {
	if first, err = ParseSize(head, sectorSize); err == nil {
		last, err = ParseSize(tail, sectorSize)
	}
	return first, last, err
}
