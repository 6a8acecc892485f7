package gpt

import (
	"bytes"
	"io"
	"strings"
	"testing"
)

// Of all bits of a random GUID these tell its version and variant (RFC 4122, 4.4,
// read as text from left to right).
func TestDrawnGUIDsAreOfVersionFour(t *testing.T) {
	for _, fill := range []byte{0x00, 0xFF, 0x5A} {
		ids, err := DrawIDs([]int{1, 7}, bytes.NewReader(bytes.Repeat([]byte{fill}, 48)))
		if err != nil || len(ids.Entries) != 2 {
			t.Fatalf("%+v, %v", ids, err)
		}
		for _, g := range []GUID{ids.Disk, ids.Entries[1], ids.Entries[7]} {
			if s := g.String(); s[14] != '4' || !strings.Contains("89AB", s[19:20]) {
				t.Errorf("%02X: %s", fill, s)
			}
		}
	}
	if _, err := DrawIDs([]int{1, 7}, io.LimitReader(bytes.NewReader(make([]byte, 48)), 40)); err == nil {
		t.Error("too little to draw from is no error")
	}
}
