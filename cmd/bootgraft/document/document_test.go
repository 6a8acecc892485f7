package document

import (
	"encoding/json"
	"strings"
	"testing"
)

// TestMarshal: schema and kind come first, the error behind them, and nothing is
// written otherwise than a person would.
func TestMarshal(t *testing.T) {
	for failed, want := range map[*Error]string{
		nil: "{\n \"schema\": 1,\n \"kind\": \"demo\",\n \"folder\": \"<a>\",\n \"steps\": []\n}\n",
		{"failed", "a \"quoted\" <text>"}: "{\n \"schema\": 1,\n \"kind\": \"demo\",\n \"error\": {\"code\":\"failed\",\"text\":\"a \\\"quoted\\\" <text>\"}," +
			"\n \"folder\": \"<a>\",\n \"steps\": []\n}\n",
	} {
		b, err := Marshal(NewDemo("<a>"), failed)
		if err != nil || string(b) != want || !json.Valid(b) {
			t.Errorf("have %s, %v", b, err)
		}
	}
}

// A list is never null: of a rehearsal that goes on, nothing has to be accepted.
func TestARehearsalThatGoesOnAcceptsNothing(t *testing.T) {
	b, err := Marshal(NewRehearsal("/dev/sdX", "card.plan.receipt", nil, 0, 0), nil)
	if err != nil || !strings.Contains(string(b), `"accept": []`) {
		t.Errorf("%s, %v", b, err)
	}
}
