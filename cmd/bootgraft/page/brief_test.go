package page

import (
	"bytes"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
)

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
