package page

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"bootgraft/cmd/bootgraft/page/report"
	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/layout/scan/diff"
)

// written says what the bytes that changed are: numbers, checksums, copies.
func written(r *diff.Report) report.Part {
	return report.NewPart("What was written", report.ListOf("  (what)", writtenTexts(r)))
}

// writtenTexts says what the bytes that changed are, a sentence each.
func writtenTexts(r *diff.Report) (out []string) {
	for _, list := range sameReadings(r) {
		out = append(out, fmt.Sprintf("%s: %s", changedPlace(r, list[0].Sector, list[0].Byte), readingText(list[0])))
		for _, x := range list[1:] {
			out = append(out, "the same at "+changedPlace(r, x.Sector, x.Byte))
		}
	}
	for i := range r.Copies {
		c := &r.Copies[i]
		order := ""
		if c.Order != image.Plain {
			order = ", " + c.Order.String()
		}
		out = append(out, fmt.Sprintf("%s: now as %s was%s (%s that changed)",
			sectorText(r, c.Sector), sectorText(r, c.Of), order, disk.Counted(c.Bytes, "byte")))
	}
	for i := range r.Renewed {
		out = append(out, renewedText(r, &r.Renewed[i]))
	}
	for _, v := range r.Volumes {
		maker := ""
		if v.Maker != "" {
			maker = fmt.Sprintf(", made by %q as its boot sector says", v.Maker)
		}
		out = append(out, fmt.Sprintf("volume %d: a new %s volume from sector %s on%s; files that are gone: %d",
			v.Index, v.Kind, disk.Grouped(v.Start), maker, v.Lost))
	}
	return out
}

// sameReadings puts the same number at several places together.
func sameReadings(r *diff.Report) (out [][]*diff.Reading) {
	for i := range r.Readings {
		x := &r.Readings[i]
		k := slices.IndexFunc(out, func(list []*diff.Reading) bool {
			y := list[0]
			return x.Meaning == y.Meaning && x.Encoding == y.Encoding && x.Was == y.Was && x.WasNumber == y.WasNumber &&
				x.Copied == y.Copied && x.Proved() == y.Proved()
		})
		if k >= 0 {
			out[k] = append(out[k], x)
		} else {
			out = append(out, []*diff.Reading{x})
		}
	}
	return out
}

// oneIn says how much of a thing is expected by chance, to one digit.
func oneIn(expected float64) string {
	const most = 1e9
	if expected*most < 1 {
		return "less than once in " + disk.Grouped(int64(most))
	}
	n := (1 + 1e-9) / expected
	scale := math.Pow(10, math.Floor(math.Log10(n)))
	return "once in " + disk.Grouped(int64(math.Floor(n/scale)*scale))
}

// sectorText names a sector; near the end it is counted from there too.
func sectorText(r *diff.Report, x disk.Sector) string {
	text := "sector " + disk.Grouped(x)
	if back := r.Sectors - x; back < r.Sectors/2 {
		text += fmt.Sprintf(" (end-%s)", disk.Grouped(back))
	}
	return text
}

func changedPlace(r *diff.Report, x disk.Sector, at int) string {
	return fmt.Sprintf("%s, byte %d", sectorText(r, x), at)
}

// readingText says what a number is, what stood there before, and how sure it is.
func readingText(x *diff.Reading) string {
	text := fmt.Sprintf("%s, %s (%s)", disk.Grouped(int64(x.Value)), x.Meaning, x.Encoding.Text())
	if !x.Proved() {
		text = "may be " + text
	}
	if n := len(x.Also); n > 0 {
		text += ", or " + strings.Join(x.Also[:min(n, 2)], ", or ")
		if n > 2 {
			text += fmt.Sprintf(", or %d more", n-2)
		}
	}
	switch {
	case !x.WasNumber:
		text += "; it was no number"
	case x.WasDrive:
		text += fmt.Sprintf("; it was %s, that of the old drive", disk.Grouped(int64(x.Was)))
	case x.WasMeaning != "":
		text += fmt.Sprintf("; it was %s, %s", disk.Grouped(int64(x.Was)), x.WasMeaning)
	default:
		text += fmt.Sprintf("; it was %s", disk.Grouped(int64(x.Was)))
	}
	if x.Copied {
		text += "; copied, see below"
	}
	if !x.Proved() {
		return text + fmt.Sprintf(". That proves nothing: such a number is expected by chance %s comparisons",
			oneIn(x.ByChance))
	}
	return text + byChance(x.ByChance)
}

func byChance(expected float64) string {
	return fmt.Sprintf(". By chance: %s comparisons", oneIn(expected))
}

func renewedText(r *diff.Report, x *diff.Renewed) string {
	text := fmt.Sprintf("%s: a checksum made new, %s (%s) over %s bytes from ",
		changedPlace(r, x.Sector, x.Byte), x.Sum, x.Encoding.Text(), disk.Grouped(x.Count))
	if x.Over != x.Sector {
		text += sectorText(r, x.Over) + ", "
	}
	text += fmt.Sprintf("byte %d on", x.From)
	if x.Inside {
		text += ", the checksum itself as zeros"
	}
	if !x.Right {
		text += "; it was not right before"
	}
	return text + byChance(x.ByChance)
}
