package archive

import (
	"bytes"
	_ "embed"
	"fmt"
	"strings"
	"sync"
	"text/template"

	"bootgraft/image/disk"
	"bootgraft/image/packed"
	"bootgraft/layout"
	"bootgraft/layout/plan"
)

// MostCopies is how many runs of sectors are still typed one by one: by hand, no source.
// Above that, or where bytes are made new, the finished card lies in the archive.
const MostCopies = 200

// ByHand tells whether a card can be put together from its drive by typing.
func ByHand(p *plan.Plan) bool {
	copies := 0
	for _, q := range p.Pieces {
		switch q.Op {
		case layout.Render:
			return false
		case layout.Copy:
			copies++
		}
	}
	return copies <= MostCopies
}

// Guide is what HOW.txt says of one card.
type Guide struct {
	Label  string // the line to stick on the card
	Plan   *plan.Plan
	Image  string // file that the card is put together from
	Card   string // the finished card, instead of that; empty if there is none
	Packed bool   // these two are packed, and have packed.Suffix
	Sum    string // SHA-256 of all sectors that are written, in the order of the card
	Photos []string

	// Changed are sectors of the image that were no longer what was read from the drive, by
	// its record, when the archive was made.
	Changed disk.Spans
}

//go:embed how.txt
var howText string

var how = sync.OnceValue(func() *template.Template { return template.Must(template.New("how").Parse(howText)) })

// Text writes HOW.txt. What is to be typed stands alone on lines that begin with five
// blanks, so that a script can take it from there.
func (g *Guide) Text(files []File) []byte {
	target := g.Plan.Target
	said := struct {
		*Guide
		Files                           []File
		Contents, Lost, Size, Unpacking string
		Making, Checking                []string
	}{
		Guide: g, Files: files, Contents: ContentsName, Lost: disk.Counted(g.Changed.Sectors(), "sector"),
		Size: disk.SizeText(target.Sectors, target.SectorSize), Making: g.making(), Checking: g.checking(),
	}
	if g.Packed {
		said.Unpacking = fmt.Sprintf("zstd -d -f --sparse %s -o %s", quoted(g.from()+packed.Suffix), quoted(g.from()))
	}
	var b bytes.Buffer
	_ = how().Execute(&b, said) // it fails only where the text asks for what there is not
	return b.Bytes()
}

// Needs are the programs that the lines of HOW.txt are for, beside the shell.
func (g *Guide) Needs() string {
	if g.Packed {
		return "zstd, dd and sha256sum"
	}
	return "dd and sha256sum"
}

// from is the file that the card is made from.
func (g *Guide) from() string {
	if g.Card != "" {
		return g.Card
	}
	return g.Image
}

// making is the lines that make the card.
func (g *Guide) making() (out []string) {
	n := g.Plan.Target.SectorSize
	size := fmt.Sprintf(`dd if=/dev/zero of="$CARD" bs=%d seek=%d count=0`, n, g.Plan.Target.Sectors)
	if g.Card != "" {
		return []string{size, fmt.Sprintf(`dd if=%s of="$CARD" bs=1048576 conv=notrunc,fsync`, quoted(g.Card))}
	}
	out = append(out, size) // an image file gets its whole length; a card has its own
	for _, q := range g.Plan.Pieces {
		if q.Op == layout.Leave {
			continue
		}
		for _, part := range inMiB(q, n) {
			bs, in, skip := unit(part, n), "/dev/zero", ""
			if q.Op == layout.Copy {
				in, skip = quoted(g.Image), fmt.Sprintf(" skip=%d", part.From/bs)
			}
			out = append(out, fmt.Sprintf(`dd if=%s of="$CARD" bs=%d%s seek=%d count=%d conv=notrunc`,
				in, int64(bs)*int64(n), skip, part.Start/bs, part.Count/bs))
		}
	}
	out[len(out)-1] += ",fsync"
	return out
}

// checking is the lines that read the card back.
func (g *Guide) checking() []string {
	n := g.Plan.Target.SectorSize
	var written []layout.Piece // side by side and not left
	for _, q := range g.Plan.Pieces {
		if last := len(written) - 1; q.Op != layout.Leave || g.Card != "" {
			if last >= 0 && written[last].End() == q.Start {
				written[last].Count += q.Count
			} else {
				written = append(written, layout.Piece{Span: q.Span, Op: layout.Zero})
			}
		}
	}
	out := []string{"{"}
	for _, q := range written {
		for _, part := range inMiB(q, n) {
			bs := unit(part, n)
			out = append(out, fmt.Sprintf(`dd if="$CARD" bs=%d skip=%d count=%d`, int64(bs)*int64(n), part.Start/bs,
				part.Count/bs))
		}
	}
	return append(out, "} 2>/dev/null | sha256sum")
}

// inMiB cuts a piece so that most of it can be copied in blocks of 1 MiB: sector by
// sector a large card takes hours.
func inMiB(q layout.Piece, sectorSize int) []layout.Piece {
	k := disk.Sector(1 << 20 / sectorSize)
	if q.Op == layout.Copy && (q.Start-q.From)%k != 0 || q.Count < 2*k {
		return []layout.Piece{q}
	}
	var out []layout.Piece
	for _, end := range []disk.Sector{(q.Start + k - 1) / k * k, q.End() / k * k, q.End()} {
		if end > q.Start {
			part := q
			part.Count = end - q.Start
			out = append(out, part)
			q.Start, q.From, q.Count = q.Start+part.Count, q.From+part.Count, q.Count-part.Count
		}
	}
	return out
}

// unit is how many sectors are copied at once.
func unit(q layout.Piece, sectorSize int) disk.Sector {
	k := disk.Sector(1 << 20 / sectorSize)
	if q.Start%k == 0 && q.Count%k == 0 && (q.Op != layout.Copy || q.From%k == 0) {
		return k
	}
	return 1
}

// quoted is a name as a shell reads it, and no flag to the program that gets it.
func quoted(s string) string {
	if strings.HasPrefix(s, "-") {
		s = "./" + s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
