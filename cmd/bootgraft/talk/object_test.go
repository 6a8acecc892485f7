package talk

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/document"
)

// Whatever ends the program, and how often: there is one object, and it says
// how.
func TestOneObjectHoweverItEnds(t *testing.T) {
	for name, test := range map[string]struct {
		answers bool
		end     func(u *UI)
		code    string
		kind    document.Kind
	}{
		"at once":                  {false, func(u *UI) { u.objectAtOnce("the card is fenced", ExitFenced) }, "fenced", document.KindError},
		"at once with an answer":   {true, func(u *UI) { u.objectAtOnce("it is written", ExitStopped) }, "stopped", document.KindVersion},
		"in order and then forced": {true, func(u *UI) { _ = u.Said(nil); u.objectAtOnce("too late", ExitStopped) }, "", document.KindVersion},
		"forced while it ends": {true, func(u *UI) {
			over := make(chan struct{})
			go func() { defer close(over); u.objectAtOnce("at the same time", ExitStopped) }()
			_ = u.Said(Refusef("no"))
			<-over
		}, "refused stopped", document.KindVersion},
	} {
		u := New(nil)
		var out bytes.Buffer
		u.answer.to, u.JSON = &out, true
		if test.answers {
			u.Document(document.NewVersion(build.Build{Version: "v"}))
		}
		test.end(u)
		var got struct {
			Kind  document.Kind
			Error *document.Error
		}
		if err := json.Unmarshal(out.Bytes(), &got); err != nil {
			t.Errorf("%s: %v: %s", name, err, out.String())
			continue
		}
		code := ""
		if got.Error != nil {
			code = got.Error.Code
		}
		if got.Kind != test.kind || !strings.Contains(test.code, code) || (code == "") != (test.code == "") {
			t.Errorf("%s: %s, error %q", name, got.Kind, code)
		}
	}
}
