//go:build linux

package loaders

import (
	"embed"
	"encoding/hex"
	"strings"
	"testing"
)

//go:embed code/*.hex
var code embed.FS

// source is one piece of boot code: its file, how it is assembled, and where it runs.
type source struct {
	file   string
	define []string // of as(1)
	at     string
	bits   int
}

// sources are all pieces of boot code, by the name of their bytes.
var sources = map[string]source{
	"payload":      {file: "payload.s"},
	"mbr-lba":      {file: "mbr.s", define: []string{"CHS=0"}},
	"mbr-chs":      {file: "mbr.s", define: []string{"CHS=1"}},
	"dos-lba":      {file: "dos.s", define: []string{"CHS=0"}, at: "0x7c00"},
	"dos-chs":      {file: "dos.s", define: []string{"CHS=1"}, at: "0x7c00"},
	"own":          {file: "own.s", at: "0x7c00"},
	"stage2":       {file: "stage2.s", at: "0x8000"},
	"uefi":         {file: "uefi.s", bits: 64},
	"map-le32":     {file: "map.s", define: []string{"ENC=1", "STEP=4"}, at: "0x7c00"},
	"map-be32":     {file: "map.s", define: []string{"ENC=2", "STEP=4"}, at: "0x7c00"},
	"map-swapped":  {file: "map.s", define: []string{"ENC=3", "STEP=4"}, at: "0x7c00"},
	"map-24":       {file: "map.s", define: []string{"ENC=4", "STEP=3"}, at: "0x7c00"},
	"map-kib":      {file: "map.s", define: []string{"ENC=5", "STEP=4"}, at: "0x7c00"},
	"map-relative": {file: "map.s", define: []string{"ENC=6", "STEP=4"}, at: "0x7c00"},
	"map-cluster":  {file: "map.s", define: []string{"ENC=7", "STEP=2"}, at: "0x7c00"},
	"map-chs":      {file: "map.s", define: []string{"ENC=8", "STEP=3"}, at: "0x7c00"},
}

// codeBytes returns a copy of the bytes of a piece of boot code.
func codeBytes(t testing.TB, name string) []byte {
	t.Helper()
	text, err := code.ReadFile("code/" + name + ".hex")
	if err != nil {
		t.Fatal(err)
	}
	b, err := hex.DecodeString(strings.ReplaceAll(string(text), "\n", ""))
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return b
}
