package plan

import (
	"errors"
	"slices"
	"strings"
	"testing"
)

// TestChoices: what was chosen is in the file, is part of the check number, and a plan of
// which nothing was chosen is as it always was.
func TestChoices(t *testing.T) {
	p := small(t)
	p.WrittenBy = "bootgraft test"
	bare := encoded(t, p)
	p.Choices = []string{"accept=fat-dirty", "tail=end"}
	text := encoded(t, p)
	if back := decoded(t, text); !slices.Equal(back.Choices, p.Choices) {
		t.Errorf("they come back as %q", back.Choices)
	}
	if strings.Contains(string(bare), "choices") {
		t.Error("a plan without choices names them")
	}
	for _, edit := range [][2]string{
		{`"tail=end"`, `"tail=drop"`}, {`"tail=end"`, `"tail"`}, {`"choices"`, `"chances"`},
		{"\"accept=fat-dirty\",\n\"tail=end\"\n", ""},
	} {
		changed := strings.Replace(string(text), edit[0], edit[1], 1)
		if changed == string(text) {
			t.Fatalf("there is no %q", edit[0])
		}
		if _, err := Decode(strings.NewReader(changed), int64(len(changed))); err == nil {
			t.Errorf("%q may become %q", edit[0], edit[1])
		}
	}
	for _, bad := range []string{"tail", "=end", "tail=\xff", "x=" + strings.Repeat("y", maxText)} {
		p.Choices = []string{bad}
		var proof *ProofError
		if err := p.Check(); !errors.As(err, &proof) || proof.Part != "choices" {
			t.Errorf("%.20q: %v", bad, err)
		}
	}
}
