package disk

import (
	"strings"
	"testing"
)

func TestNewerFormNamesBoth(t *testing.T) {
	err := &NewerFormError{What: "plan", Form: 3, Most: 2}
	if want := "this plan is of form 3, and this program reads forms up to 2; a newer bootgraft reads it"; err.Error() != want {
		t.Errorf("have %q\nwant %q", err, want)
	}
}

func TestCheckWriter(t *testing.T) {
	for name, good := range map[string]bool{
		"": true, "bootgraft v1.2.3 (0123456789ab)": true, strings.Repeat("a", MaxWriter): true,
		strings.Repeat("a", MaxWriter+1): false, "a\nb": false, "a\x7f": false, "\x1b[31m": false, "é": false,
	} {
		if err := CheckWriter(name); (err == nil) != good {
			t.Errorf("%.20q: %v", name, err)
		}
	}
}
