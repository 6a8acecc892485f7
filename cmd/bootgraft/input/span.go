package input

import (
	"strconv"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/image/disk"
)

// parseSpan reads a span of a disk of n sectors: START+COUNT, head:64MiB,
// tail:64MiB, or end-N+COUNT, which begins N sectors before the end.
func parseSpan(text string, n disk.Sector, sectorSize int) (disk.Span, error) {
	bad := func(why string) (disk.Span, error) {
		return disk.Span{}, talk.Usagef("the span %q is not understood: %s. A span is START+COUNT in sectors, head:64MiB, "+
			"tail:64MiB, or end-N+COUNT", text, why)
	}
	for _, end := range []string{"head:", "tail:"} {
		rest, ok := strings.CutPrefix(text, end)
		if !ok {
			continue
		}
		s, err := ParseSize(rest, sectorSize)
		if err != nil {
			return disk.Span{}, err
		}
		count := min(s.Sectors, n)
		if end == "head:" {
			return disk.Span{Count: count}, nil
		}
		return disk.Span{Start: n - count, Count: count}, nil
	}
	start, count, ok := strings.Cut(text, "+")
	if !ok {
		return bad("there is no + in it")
	}
	base := disk.Sector(0)
	sign := disk.Sector(1)
	if rest, ok := strings.CutPrefix(start, "end-"); ok {
		start, base, sign = rest, n, -1
	}
	a, err1 := strconv.ParseInt(start, 10, 62)
	b, err2 := strconv.ParseInt(count, 10, 62)
	if err1 != nil || err2 != nil || a < 0 || b <= 0 {
		return bad("START and COUNT are whole numbers of sectors, and COUNT is at least 1")
	}
	s := disk.Span{Start: base + sign*disk.Sector(a), Count: disk.Sector(b)}
	if s.Start < 0 || s.End() > n {
		return bad("it is not inside the disk of " + disk.Grouped(n) + " sectors")
	}
	return s, nil
}

// ParseSpans reads spans of sectors of a source.
func ParseSpans(texts []string, src image.Source) (disk.Spans, error) {
	var out disk.Spans
	for _, text := range texts {
		s, err := parseSpan(text, image.Sectors(src), src.SectorSize())
		if err != nil {
			return nil, err
		}
		out = out.Union(disk.Spans{s})
	}
	return out, nil
}
