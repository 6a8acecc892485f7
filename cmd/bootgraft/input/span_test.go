package input

import (
	"testing"

	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/image/disk"
)

func TestSpans(t *testing.T) {
	const n = 1_000_000
	for _, c := range []struct {
		text string
		want disk.Span
	}{
		{"0+1", disk.Span{Count: 1}}, {"100+20", disk.Span{Start: 100, Count: 20}}, {"head:1MiB", disk.Span{Count: 2048}},
		{"tail:1MiB", disk.Span{Start: n - 2048, Count: 2048}}, {"end-10+10", disk.Span{Start: n - 10, Count: 10}},
		{"head:10GiB", disk.Span{Count: n}}, {"tail:3s", disk.Span{Start: n - 3, Count: 3}},
	} {
		if got, err := parseSpan(c.text, n, 512); err != nil || got != c.want {
			t.Errorf("%s: %v %v, want %v", c.text, got, err, c.want)
		}
	}
	for _, bad := range []string{"", "5", "+", "5+", "-1+5", "5+0", "999999+2", "end-5+6", "end-1000001+1", "middle:5s", "head:", "9223372036854775807+9223372036854775807"} {
		if got, err := parseSpan(bad, n, 512); talk.ExitCode(err) != talk.ExitUsage {
			t.Errorf("%q is taken as %v (%v)", bad, got, err)
		}
	}
}
