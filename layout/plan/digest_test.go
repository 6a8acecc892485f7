package plan

import (
	"bytes"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"bootgraft/image/disk"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
)

// MeaningDigest against published digests. A span of n "sectors" of one byte
// makes any message: the function itself has no smallest sector size.
func TestMeaningDigestVectors(t *testing.T) {
	cases := []struct{ id, message, want string }{
		// H01, H02: NIST, FIPS 180-4 example values, SHA-256: one-block and two-block message.
		{"H01", "abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
		{"H02", "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
			"248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
		// H03: NIST, SHA-256 of one million letters a (FIPS 180-2, appendix B.3).
		{"H03", strings.Repeat("a", 1_000_000), "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"},
		// H04: 512 zero bytes, by sha256sum of coreutils.
		{"H04", strings.Repeat("\x00", 512), "076a27c79e5ace2a3d47f9dd2e83e4ff6ea8872b3c2218f66c92b89b55f36560"},
	}
	for _, c := range cases {
		n := disk.Sector(len(c.message))
		whole := disk.Spans{{Start: 0, Count: n}}
		if got, err := MeaningDigest(strings.NewReader(c.message), 1, whole); err != nil || got != c.want {
			t.Errorf("%s: %s %v, want %s", c.id, got, err, c.want)
		}
		// The same message as two runs with a byte between them.
		gap := c.message[:n/2] + "?" + c.message[n/2:]
		parts := disk.Spans{{Start: 0, Count: n / 2}, {Start: n/2 + 1, Count: n - n/2}}
		if got, err := MeaningDigest(strings.NewReader(gap), 1, parts); err != nil || got != c.want {
			t.Errorf("%s in two runs: %s %v, want %s", c.id, got, err, c.want)
		}
	}
}

func TestMeaningDigestOfAShortSource(t *testing.T) {
	_, err := MeaningDigest(bytes.NewReader(make([]byte, 1000)), 512, disk.Spans{{Start: 1, Count: 1}})
	if !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a source that ends in the sector gives %v", err)
	}
}

// The check number as Python computes it from the plan file alone, with json,
// struct, base64 and hashlib of its standard library, from the description of
// Digest.
func TestDigestInAnotherLanguage(t *testing.T) {
	python := need.Tool(t, "python3")
	signed := small(t)
	signed.WrittenBy = "bootgraft test"
	for _, p := range []*Plan{small(t), signed, seen(t)} {
		path := filepath.Join(t.TempDir(), "plan.json")
		if err := os.WriteFile(path, encoded(t, p), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(python, filepath.Join("..", "..", "testdata", "plan", "digest.py"), path).CombinedOutput()
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		want, err := p.Digest()
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.TrimSpace(string(out)); got != want {
			t.Errorf("form %d: Python says %s, Digest says %s", p.form(), got, want)
		}
	}
}

// The value that Digest and Python both had when the form was fixed. It must
// never change: plan files outlive the program.
func TestDigestStays(t *testing.T) {
	const want = "110e0746f0a90548208aefe71e5cdc1b15b9b2ca99a7e122f0544938609579f4"
	if got, err := small(t).Digest(); err != nil || got != want {
		t.Errorf("the digest is %s %v, and was %s", got, err, want)
	}
}

// No two different plans have one digest, however alike they are.
func TestDigestSeesEverything(t *testing.T) {
	seen := map[string]string{}
	note := func(what string, change func(p *Plan)) {
		p := small(t)
		change(p)
		d, err := p.Digest()
		if err != nil {
			t.Fatal(err)
		}
		if other, twice := seen[d]; twice {
			t.Errorf("%q and %q have one digest", what, other)
		}
		seen[d] = what
	}
	note("nothing", func(*Plan) {})
	note("target sectors", func(p *Plan) { p.Target.Sectors++ })
	note("target sector size", func(p *Plan) { p.Target.SectorSize *= 2 })
	note("source sectors", func(p *Plan) { p.Source.Sectors++ })
	note("source sector size", func(p *Plan) { p.Source.SectorSize *= 2 })
	note("path", func(p *Plan) { p.Source.Path += "x" })
	note("source digest", func(p *Plan) { p.Source.Digest = strings.Repeat("0", 64) })
	note("meaning", func(p *Plan) { p.Source.Meaning[1].Count++ })
	note("no meaning", func(p *Plan) { p.Source.Meaning = nil })
	note("piece start", func(p *Plan) { p.Pieces[1].Start++ })
	note("piece count", func(p *Plan) { p.Pieces[1].Count++ })
	note("piece op", func(p *Plan) { p.Pieces[1].Op = layout.Render })
	note("piece from", func(p *Plan) { p.Pieces[1].From++ })
	note("piece why", func(p *Plan) { p.Pieces[1].Why = layout.WhyExcess })
	note("piece rank", func(p *Plan) { p.Pieces[1].Rank = layout.RankCopy })
	note("dropped span", func(p *Plan) { p.Dropped[0].Start-- })
	note("dropped role", func(p *Plan) { p.Dropped[0].Role = layout.RoleGap })
	note("dropped texts", func(p *Plan) { p.Dropped[0].Name, p.Dropped[0].Why = p.Dropped[0].Name+"n", p.Dropped[0].Why[1:] })
	note("finding code", func(p *Plan) { p.Findings[0].Code = "x" })
	note("finding severity", func(p *Plan) { p.Findings[0].Severity = disk.Note })
	note("finding sector", func(p *Plan) { p.Findings[0].Sector = disk.NoSector })
	note("finding text", func(p *Plan) { p.Findings[0].Text = "" })
	note("finding accepted", func(p *Plan) { p.Findings[0].Accepted = true })
	note("seen", func(p *Plan) { p.Sees = 4002 })
	note("seen otherwise", func(p *Plan) { p.Sees = 3002 })
	note("chosen", func(p *Plan) { p.Choices = []string{"tail=end"} })
	note("chosen otherwise", func(p *Plan) { p.Choices = []string{"tail=en", "d=end"} })
	note("rendered", func(p *Plan) { p.Rendered = bytes.NewReader(make([]byte, 1024)) })
	note("nothing rendered", func(p *Plan) { p.Rendered = nil })
}
