package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"bootgraft/layout"
)

// size is a disk size as a person gives it.
type size struct {
	sectors layout.Sector
	bytes   int64
	nominal bool // as printed on a package: never the size of a real card
}

var sizeUnits = []struct {
	suffix  string
	bytes   int64
	nominal bool
}{
	{"TB", 1e12, true}, {"GB", 1e9, true}, {"MB", 1e6, true}, {"kB", 1e3, true}, {"KB", 1e3, true},
	{"TiB", 1 << 40, false}, {"GiB", 1 << 30, false}, {"MiB", 1 << 20, false}, {"KiB", 1 << 10, false},
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

// parseSize reads 39070080s (sectors), plain bytes, 16GB (16*10^9) or 16GiB.
func parseSize(text string, sectorSize int) (size, error) {
	bad := func(why string) (size, error) {
		return size{}, usagef("the size %q is not understood: %s. A size is a number of sectors (39070080s), of bytes (20003880960), or has a unit (16GB, 16GiB)", text, why)
	}
	number, unit, s := text, int64(1), size{}
	if n, ok := strings.CutSuffix(text, "s"); ok {
		number, unit = n, int64(sectorSize)
	} else {
		for _, u := range sizeUnits {
			if n, ok := strings.CutSuffix(text, u.suffix); ok {
				number, unit, s.nominal = n, u.bytes, u.nominal
				break
			}
		}
	}
	number, ok := ungrouped(number)
	if !ok {
		return bad(fmt.Sprintf("a comma stands between groups of three digits, and a point before a fraction, as in %s", strings.Replace(text, ",", ".", 1)))
	}
	n, err := strconv.ParseInt(number, 10, 64)
	switch {
	case err == nil && n > math.MaxInt64/unit:
		return bad("it is too large")
	case err == nil:
		s.bytes = n * unit
	case unit > 1 && unit != int64(sectorSize):
		f, ferr := strconv.ParseFloat(number, 64)
		if ferr != nil || f < 0 || f*float64(unit) > math.MaxInt64/2 {
			return bad("no number stands before the unit")
		}
		s.bytes = int64(math.Round(f * float64(unit)))
	default:
		return bad("it is no whole number")
	}
	if s.bytes <= 0 {
		return bad("it must be more than nothing")
	}
	if s.nominal || unit == 1 {
		s.sectors = layout.Sector(s.bytes / int64(sectorSize))
		if unit == 1 && s.bytes%int64(sectorSize) != 0 {
			return bad(fmt.Sprintf("%d bytes are not whole sectors of %d", s.bytes, sectorSize))
		}
	} else {
		s.sectors = layout.Sector(s.bytes / int64(sectorSize))
	}
	if s.sectors == 0 {
		return bad("it is less than one sector")
	}
	return s, nil
}

// diskText writes the size of a disk: sectors, and bytes as it is sold.
func diskText(n layout.Sector, sectorSize int) string {
	return fmt.Sprintf("%s of %d bytes, %s", counted(n, "sector"), sectorSize, bytesText(int64(n)*int64(sectorSize)))
}
