//go:build linux

package loaders

import (
	"bytes"
	"encoding/hex"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"bootgraft/image/imagetest/need"
)

var update = flag.Bool("update", false, "write the bytes of the boot code anew")

// TestCodeIsItsSource: the bytes that machines run are those of the assembler's text
// beside them. The assembler and the linker are those of GNU binutils.
func TestCodeIsItsSource(t *testing.T) {
	as, ld := need.Tool(t, "as"), need.Tool(t, "ld")
	for name, s := range sources {
		object, binary := filepath.Join(t.TempDir(), "o"), filepath.Join(t.TempDir(), "b")
		args := []string{"--32"}
		emulation := "elf_i386"
		if s.bits == 64 {
			args, emulation = []string{"--64"}, "elf_x86_64"
		}
		for _, d := range s.define {
			args = append(args, "--defsym", d)
		}
		c := exec.Command(as, append(args, "-o", object, s.file)...)
		c.Dir = "code"
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		at := s.at
		if at == "" {
			at = "0"
		}
		out, err := exec.Command(ld, "-m", emulation, "-Ttext", at, "-e", at, "--oformat", "binary", "-o", binary,
			object).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		got, err := os.ReadFile(binary)
		if err != nil {
			t.Fatal(err)
		}
		if *update {
			if err := os.WriteFile("code/"+name+".hex", lines(got), 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		if !bytes.Equal(got, codeBytes(t, name)) {
			t.Errorf("%s is not what %s says", name, s.file)
		}
	}
}

// lines writes bytes as 32 pairs of digits a line.
func lines(b []byte) []byte {
	var out bytes.Buffer
	for part := range slices.Chunk(b, 32) {
		out.WriteString(hex.EncodeToString(part) + "\n")
	}
	return out.Bytes()
}
