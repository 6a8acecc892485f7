package report

import (
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/page/drawing"
	"bootgraft/image/disk"
	"bootgraft/layout"
)

// hostile would do something in one of the forms, if that let it.
const hostile = "<script>x</script> [a](javascript:x) `b` **c** | d\x1b[31m\u202e\n# e"

// invented is a page with every kind of block, and a hostile name in each.
func invented() *Report {
	m := &layout.Map{Sectors: 100, SectorSize: 512, Regions: []layout.Region{
		{Span: disk.Span{Count: 100}, Role: layout.RoleUnknown, Name: hostile, Content: layout.Content{Looked: true, NonBlank: 100}}}}
	return &Report{
		Title: hostile, Verdict: hostile, State: hostile, Next: []string{"bootgraft write " + hostile}, Written: "bootgraft 1",
		Aloud: Facts{{"sectors", "100"}, {"name", hostile}},
		Parts: []Part{
			{Heading: hostile, Blocks: []Block{
				Text(hostile), List{hostile, "1. no list", "- no list"}, Typed("a\n```\n" + hostile),
				NewTable("n> | name", []string{"1", hostile}),
				Drawing{drawing.New(m, nil, drawing.Faults{}), hostile},
			}},
			{Heading: "bytes", Private: true, Blocks: []Block{Typed("00 11 22")}},
		},
		Forum: Facts{{"name", hostile}},
	}
}

// TestHTMLIsInert: whatever a name is, the page has the elements that it has without it.
func TestHTMLIsInert(t *testing.T) {
	count := func(r *Report) map[string]int {
		b, err := r.HTML()
		if err != nil {
			t.Fatal(err)
		}
		out := map[string]int{}
		dec := xml.NewDecoder(strings.NewReader(string(b)))
		dec.Strict, dec.AutoClose, dec.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
		for {
			tok, err := dec.Token()
			if errors.Is(err, io.EOF) {
				return out
			}
			if err != nil {
				t.Fatal(err)
			}
			if e, ok := tok.(xml.StartElement); ok {
				out[e.Name.Local]++
				for _, a := range e.Attr {
					if n := strings.ToLower(a.Name.Local); strings.HasPrefix(n, "on") || n == "src" || n == "href" {
						t.Errorf("<%s %s=%q>", e.Name.Local, n, a.Value)
					}
				}
			}
		}
	}
	harmless := invented().mapped(func(s string) string { return strings.ReplaceAll(s, hostile, "name") })
	a, b := count(invented()), count(harmless)
	for name := range a {
		if a[name] != b[name] || name == "script" || name == "img" {
			t.Errorf("<%s> %d times, and %d with harmless names", name, a[name], b[name])
		}
	}
}

// TestNoControls: no form lets a control character or a turned direction through.
func TestNoControls(t *testing.T) {
	h, err := invented().HTML()
	if err != nil {
		t.Fatal(err)
	}
	for form, b := range map[string][]byte{"html": h, "md": invented().Markdown(), "txt": invented().Plain()} {
		if strings.ContainsAny(string(b), "\x1b\u202e") {
			t.Errorf("%s holds what steers a reader", form)
		}
	}
}

// TestMarkdownIsInert: outside fences, every character that begins something in Markdown
// has a backslash, and no fence is closed by what stands in it (CommonMark 0.31.2, 2.4
// and 4.5).
func TestMarkdownIsInert(t *testing.T) {
	fence := ""
	for _, line := range strings.Split(string(invented().Markdown()), "\n") {
		ticks := line[:len(line)-len(strings.TrimLeft(line, "`"))]
		switch {
		case fence == "" && len(ticks) >= 3:
			fence = ticks
			continue
		case fence != "":
			if line == fence {
				fence = ""
			}
			continue
		}
		plain := strings.NewReplacer(`\\`, "", "\\`", "", `\[`, "", `\]`, "", `\<`, "", `\>`, "", `\*`, "", `\|`, "").Replace(line)
		if strings.ContainsAny(plain, "`[]<>") || strings.Contains(plain, "**c**") {
			t.Errorf("it means something: %s", line)
		}
		if strings.HasPrefix(line, "1. ") || strings.Contains(line, "- - ") {
			t.Errorf("it begins a list: %s", line)
		}
	}
	if fence != "" {
		t.Error("a fence is left open")
	}
}

// TestRedactedIsStable: one name has one stand-in wherever it occurs, longer names go
// before the shorter ones in them, and what is not known is hidden.
func TestRedactedIsStable(t *testing.T) {
	n := NewNames()
	n.AddFile("Songs/Winter Song.wav")
	n.AddFile("Songs/Winter Song.wav.bak")
	n.AddFile("A")
	n.Add(Label, "WINTER")
	n.Add(Serial, "1234-ABCD")
	n.Give("/home/me/card.plan", "PLAN")
	for in, want := range map[string]string{
		"/Songs/Winter Song.wav is short":                  "[file 1.wav] is short",
		"(/Songs/Winter Song.wav.bak, Winter Song.wav)":    "([file 2.bak], [file 1.wav])",
		`volume "WINTER" 1234-ABCD`:                        "volume [label 1] [serial 1]",
		"names volume 1: A, sector 7":                      "names volume 1: [file 3], sector 7",
		`/A would move, and "nobody knows this" /nor/this`: "[file 3] would move, and [name] [path]",
		"bootgraft write /home/me/card.plan card.img":      "bootgraft write PLAN card.img",
		"A sector of 512 bytes, 16/63, C/H/S":              "A sector of 512 bytes, 16/63, C/H/S",
	} {
		if got := n.Hide(in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
}

// TestRedactedShowsNoBytes: bytes of a disk are for its owner.
func TestRedactedShowsNoBytes(t *testing.T) {
	r := invented().Redacted(NewNames())
	if text := string(r.Plain()); strings.Contains(text, "00 11 22") || !strings.Contains(text, "stand-ins") {
		t.Errorf("the page for strangers:\n%s", text)
	}
}

// TestNumberedStandIns: two paths do not become one.
func TestNumberedStandIns(t *testing.T) {
	n := NewNames()
	if a, b, c := n.Numbered("a.img", "IMAGE"), n.Numbered("b.img", "IMAGE"), n.Numbered("a.img", "IMAGE"); a != "IMAGE" || b != "IMAGE-2" || c != a {
		t.Errorf("stand-ins %s, %s, %s", a, b, c)
	}
}
