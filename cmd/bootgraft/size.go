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
	number = strings.ReplaceAll(number, ",", "")
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
