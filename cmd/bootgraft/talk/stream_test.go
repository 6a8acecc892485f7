package talk

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
)

// Whatever a name holds, a terminal obeys nothing of it. The form is that of
// JSON strings (RFC 8259, section 7), which encoding/json reads back.
func TestNamesDoNotSteerTheTerminal(t *testing.T) {
	for text, want := range map[string]string{
		"plain, Grüße, 日本\n\tx":      "plain, Grüße, 日本\n\tx",
		"\x1b[2Jgone":                `\u001b[2Jgone`,
		"a\rb\x07\x00":               `a\u000db\u0007\u0000`,
		"\u009b31m":                  `\u009b31m`,
		"file\u202egpj.exe":          `file\u202egpj.exe`,
		"\x7f\xff":                   `\u007f\xff`,
		"\U000E0041":                 `\udb40\udc41`,
		"half a character: \xe6\x97": `half a character: \xe6\x97`,
	} {
		for _, pieces := range []int{1, len(text)} {
			var out strings.Builder
			s := &stream{to: &out}
			var err error
			if pieces == 1 {
				_, err = io.WriteString(s, text)
			}
			for i := 0; pieces > 1 && i < len(text); i++ { // byte by byte, as a small buffer would
				_, e := io.WriteString(s, text[i:i+1])
				err = errors.Join(err, e)
			}
			if err := errors.Join(err, s.end()); err != nil || out.String() != want {
				t.Errorf("%q: %q, %v", text, out.String(), err)
			}
		}
	}
	var out strings.Builder
	if err := json.NewEncoder(&stream{to: &out}).Encode("\x7f\u009b\u202e\U000E0041\x1b"); err != nil {
		t.Fatal(err)
	}
	var back string
	if err := json.Unmarshal([]byte(out.String()), &back); err != nil || back != "\x7f\u009b\u202e\U000E0041\x1b" {
		t.Errorf("JSON says something else now: %s %q %v", out.String(), back, err)
	}
}

// An answer that cannot be written ends with 1, whatever it would have been, but
// not where a card is half written.
func TestLostAnswer(t *testing.T) {
	for _, c := range []struct {
		err  error
		want int
	}{
		{nil, ExitFailed}, {Coded(ExitIncomplete, errors.New("x")), ExitFailed}, {Coded(ExitDifferent, ErrSaid), ExitFailed},
		{Coded(ExitFenced, errors.New("x")), ExitFenced},
	} {
		u := New(nil)
		u.answer.to = brokenWriter{}
		u.Answerf("hello\n")
		if got := ExitCode(u.Said(c.err)); got != c.want {
			t.Errorf("after %v: %d, want %d", c.err, got, c.want)
		}
		u = New(nil)
		if err := u.Said(c.err); err != c.err {
			t.Errorf("nothing was lost, and yet %v", err)
		}
	}
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errors.New("no room") }

// A name that was typed with a newline in it is one line where it is said again,
// and no line of it looks like one of ours.
func TestNewlinesInTypedNamesAreShown(t *testing.T) {
	typed := typedNames([]string{"survey", "no\nsuch", "-o=a\nb", "\n", "plain"})
	var out strings.Builder
	s := &stream{to: &out, typed: typed}
	fmt.Fprintf(s, "there is no file %s\nnor %s\n", "no\nsuch", "a\nb")
	if want := "there is no file no\\nsuch\nnor a\\nb\n"; out.String() != want {
		t.Errorf("%q", out.String())
	}
	if typedNames([]string{"survey", "x"}) != nil {
		t.Error("there is something to show, and nothing was typed")
	}
}
