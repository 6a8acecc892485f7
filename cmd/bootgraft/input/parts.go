package input

import (
	"errors"
	"strconv"
	"strings"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
	"bootgraft/image/pieces"
)

// OpenParts opens the pieces of a drive of n sectors. Each text is PLACE=FILE, and
// PLACE is 0s or end-131072s.
func OpenParts(texts []string, n disk.Sector, sectorSize int) (*Source, error) {
	p := pieces.New(n, sectorSize)
	out := &Source{Path: "the parts", Close: p.Close, Parts: p}
	err := out.addParts(p, texts, n)
	if err == nil {
		err = p.Agree()
	}
	if err != nil {
		p.Close()
		var no *pieces.ContradictionError
		if errors.As(err, &no) {
			return nil, talk.Coded(talk.ExitRefused, err)
		}
		return nil, err
	}
	out.Source = p.Known()
	return out, nil
}

// addParts opens the pieces one after the other.
func (o *Source) addParts(p *pieces.Drive, texts []string, n disk.Sector) error {
	for i, text := range texts {
		start, path, place, err := parsePart(text, n)
		if err != nil {
			return err
		}
		if err := p.Add(start, path, place); err != nil {
			return SourceError(path, err)
		}
		st, err := p.Pieces()[i].Img.Stat()
		if err != nil {
			return err
		}
		o.Files = append(o.Files, st)
	}
	return nil
}

// parsePart reads PLACE=FILE.
func parsePart(text string, n disk.Sector) (start disk.Sector, path, place string, err error) {
	place, path, ok := strings.Cut(text, "=")
	number, fromEnd := strings.CutPrefix(strings.TrimSuffix(place, "s"), "end-")
	at, err := strconv.ParseInt(number, 10, 62)
	if !ok || err != nil || at < 0 || path == "" {
		return 0, "", "", talk.Usagef(
			"--part %s is not understood: it is PLACE=FILE, and PLACE is a sector, as in 0s=head.bin, "+
				"or counted from the end, as in end-131072s=tail.bin",
			text)
	}
	start = disk.Sector(at)
	if fromEnd {
		start = n - start
	}
	return start, path, place, nil
}
