package page

import (
	"fmt"
	"strings"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout"
	"bootgraft/layout/rule/candidate"
	"bootgraft/layout/rule/compare"
)

// orderText says in which order the bytes of a copy lie.
func orderText(o image.Order) string {
	switch o {
	case image.Swap16:
		return ", with the bytes of each 16-bit word exchanged"
	case image.Swap32:
		return ", with each 32-bit word reversed"
	}
	return ""
}

// sumText says what a checksum computes.
func sumText(name string) string {
	base, after := name, ""
	if b, ok := strings.CutSuffix(base, "-neg"); ok {
		base, after = b, ", negated: with it all adds up to zero"
	} else if b, ok := strings.CutSuffix(base, "-not"); ok && !strings.HasPrefix(base, "crc") {
		base, after = b, ", every bit inverted"
	}
	base, wide, isWide := strings.Cut(base, "-in")
	text := map[string]string{
		"sum8": "sum of bytes", "xor8": "exclusive or of bytes",
		"sum16-le": "sum of 16-bit words, lowest byte first", "sum16-be": "sum of 16-bit words, highest byte first",
		"sum32-le": "sum of 32-bit words, lowest byte first", "sum32-be": "sum of 32-bit words, highest byte first",
		"xor16-le": "exclusive or of 16-bit words, lowest byte first", "xor16-be": "exclusive or of 16-bit words, " +
			"highest byte first",
		"xor32-le": "exclusive or of 32-bit words, lowest byte first", "xor32-be": "exclusive or of 32-bit words, " +
			"highest byte first",
		"crc32-ieee": "CRC-32 of Ethernet and ZIP", "crc32c": "CRC-32C", "adler32": "Adler-32",
	}[base]
	if text == "" {
		return "checksum " + name
	}
	if isWide {
		text += " in " + wide + " bits"
	}
	return text + after
}

// placesText names a run of count sectors from p on.
func placesText(p candidate.Place, count disk.Sector, back bool) string {
	last := p.Sector + count - 1
	if p.From == layout.FromEnd != back {
		last = p.Sector - (count - 1)
	}
	if p.From == layout.FromEnd {
		if count == 1 {
			return fmt.Sprintf("sector end-%d", p.Sector)
		}
		return fmt.Sprintf("sectors end-%d to end-%d", p.Sector, last)
	}
	if count == 1 {
		return fmt.Sprintf("sector %d", p.Sector)
	}
	return fmt.Sprintf("sectors %d to %d", p.Sector, last)
}

// sumSpanText names the bytes that a checksum covers.
func sumSpanText(w compare.SumWay, sectorSize int) string {
	from := w.Start
	last := int64(from.Byte) + w.Count - 1
	size := int64(sectorSize)
	if from.Byte == 0 && w.Count%size == 0 {
		return placesText(from, disk.Sector(w.Count/size), false)
	}
	if last < size {
		return fmt.Sprintf("bytes %d to %d of %s", from.Byte, last,
			placesText(candidate.Place{From: from.From, Sector: from.Sector}, 1, false))
	}
	return fmt.Sprintf("%d bytes from %s on", w.Count, from)
}

// predicted says how far the originals predict each other.
func predicted(bits float64) string {
	return "each original is as the others foretell; it would be so " + compare.ByChance(bits)
}

// knownText says how far a number is known, whatever the card.
func knownText(r *compare.Rules, f *compare.Field) string {
	switch {
	case r.State(f) == compare.Undecided:
		return "undecided"
	case r.Agreed(f):
		return "proved"
	}
	return "proved for a card on which all that fits comes to one number"
}
