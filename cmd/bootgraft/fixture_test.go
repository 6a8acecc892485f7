package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"bootgraft/image/imagetest"
)

// TestFixture: the program for test data writes what the tests read.
func TestFixture(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"mbr/chain.txt", "gpt/songs4k.txt"} {
		d := imagetest.Load(t, "../../testdata/"+name)
		args := []string{"run", "./testdata/fixture"}
		if d.SectorSize() != 512 {
			args = append(args, "-sector-size", "4096")
		}
		c := exec.Command("go", append(args, imagetest.Save(t, d))...)
		c.Dir = filepath.Join("..", "..")
		var errs bytes.Buffer
		c.Stderr = &errs
		out, err := c.Output()
		if err != nil {
			t.Fatalf("%v: %s", err, errs.String())
		}
		text, err := os.ReadFile("../../testdata/" + name)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.HasSuffix(text, out) { // a remark stands before it
			t.Errorf("%s: the program writes another text", name)
		}
	}
}
