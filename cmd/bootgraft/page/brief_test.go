package page

import (
	"bytes"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
)

// A first screen hides no warning behind a count: one that is too long for it is named. Notes
// may be counted alone.
func TestAFirstScreenNamesEveryWarning(t *testing.T) {
	long := strings.Repeat("what is wrong takes many words to tell; ", 12)
	b := Brief{
		Verdict: []string{"old.img: 200,000 sectors of 512 bytes"},
		Findings: []disk.Finding{
			disk.Notef(disk.NoTail, disk.NoSector, "%s", long), disk.Warningf(disk.VolumeUnlisted, 8192, "%s", long),
		},
		Next: func(u *talk.UI) { u.Next("Next:", "one", "two", "three", "four", "five", "six", "seven", "eight") },
	}
	var out bytes.Buffer
	b.Show(&talk.UI{Out: &out})
	text := out.String()
	if !strings.Contains(text, "  warning  volume-unlisted ...\n  and 1 more finding\n") || strings.Contains(text, long[:20]) {
		t.Errorf("\n%s", text)
	}
	if n := strings.Count(text, "\n"); n > briefLines-2 {
		t.Errorf("%d lines:\n%s", n, text)
	}
}

// TestFirstScreenCountsItsFindings: as many findings are counted as are not shown, and more of them
// are shown where the terminal has more lines.
func TestFirstScreenCountsItsFindings(t *testing.T) {
	b := &Brief{Verdict: []string{"A drive."}, Next: func(u *talk.UI) {
		u.Answerf("%s", strings.Repeat("a line to type\n", 16))
	}}
	for range 3 {
		b.Findings = append(b.Findings, disk.Notef(disk.OddBytes, disk.NoSector, "%s", strings.Repeat("a few bytes ", 20)))
	}
	for rows, want := range map[int]string{24: "3 findings, not shown here", 28: "and 2 more findings", 60: ""} {
		var out bytes.Buffer
		b.Show(&talk.UI{Out: &out, Height: func() int { return rows }})
		if strings.Contains(out.String(), "finding") != (want != "") || !strings.Contains(out.String(), want) {
			t.Errorf("on %d lines, want %q:\n%s", rows, want, out.String())
		}
		if n := strings.Count(out.String(), "\n"); n > rows-3 {
			t.Errorf("on %d lines it has %d", rows, n)
		}
	}
}
