package input

import (
	"strconv"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image"
	"bootgraft/layout/scan/sound"
	"bootgraft/layout/scan/sound/tracks"
)

// ParseAs reads what somebody wants to hear some sectors as: RATE/BITS/CHANNELS:SPAN or
// RATE/BITS/CHANNELS/BLOCK:SPAN, such as 44100/16be/2:4096+20000. BITS is 8, 16le, 16be,
// 24le, 24be, 24in32le, 24in32be, 32le or 32be; BLOCK is the sectors of one channel that lie
// together.
func ParseAs(texts []string, src image.Source) ([]tracks.Ask, error) {
	var out []tracks.Ask
	for _, text := range texts {
		a, err := parseAs(text, src)
		if err != nil {
			return nil, err
		}
		for _, o := range out {
			if o.Overlaps(a.Span) {
				return nil, talk.Usagef("--as %s: another --as names some of these sectors too", text)
			}
		}
		out = append(out, a)
	}
	return out, nil
}

func parseAs(text string, src image.Source) (a tracks.Ask, err error) {
	bad := func(why string) (tracks.Ask, error) {
		return a, talk.Usagef("--as %s is not understood: %s. It is RATE/BITS/CHANNELS:SPAN, such as "+
			"44100/16be/2:4096+20000; BITS is 8, or 16, 24, 24in32 or 32 with le or be behind it", text, why)
	}
	form, span, ok := strings.Cut(text, ":")
	if !ok {
		return bad("no span of sectors follows a colon")
	}
	if a.Span, err = parseSpan(span, image.Sectors(src), src.SectorSize()); err != nil {
		return a, err
	}
	f, why := parseFormat(form, src.SectorSize())
	if why == "" && int64(a.Count)*int64(src.SectorSize()) < f.Frame() {
		why = "not one sample of each channel lies in the span"
	}
	if why != "" {
		return bad(why)
	}
	a.Format = f
	return a, nil
}

// parseFormat reads RATE/BITS/CHANNELS, or with /BLOCK behind it, or says why not.
func parseFormat(text string, sectorSize int) (f sound.Format, why string) {
	parts := strings.Split(text, "/")
	if len(parts) < 3 || len(parts) > 4 {
		return f, "there are three numbers, or four"
	}
	f.Swap = image.Plain
	var err error
	if f.Rate, err = strconv.Atoi(parts[0]); err != nil || f.Rate < 1 {
		return f, "RATE is the samples of a second"
	}
	if f.Channels, err = strconv.Atoi(parts[2]); err != nil {
		return f, "CHANNELS is a number"
	}
	if why := parseBits(parts[1], &f); why != "" {
		return f, why
	}
	if len(parts) == 4 {
		n, err := strconv.Atoi(parts[3])
		if err != nil || n < 1 || int64(n) > sound.MaxBlock/int64(sectorSize) {
			return f, "BLOCK is a number of sectors"
		}
		f.Block = int64(n) * int64(sectorSize)
	}
	if err := f.Check(); err != nil {
		return f, err.Error()
	}
	return f, ""
}

// parseBits reads BITS: how many, in how many bytes, in which order.
func parseBits(text string, f *sound.Format) (why string) {
	f.Order = sound.Little
	bits, isBig := strings.CutSuffix(text, "be")
	if isBig {
		f.Order = sound.Big
	}
	bits, isLittle := strings.CutSuffix(bits, "le")
	switch bits {
	case "8":
		f.Bits, f.Width, f.Unsigned = 8, 1, true
	case "16", "24", "32":
		f.Bits, _ = strconv.Atoi(bits)
		f.Width = f.Bits / 8
	case "24in32":
		f.Bits, f.Width = 24, 4
	default:
		return "BITS is not known"
	}
	if f.Bits > 8 && !isBig && !isLittle {
		return "le or be says the byte order"
	}
	return ""
}
