package register

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode"

	"bootgraft/image/disk"
)

// hardToProvoke are the codes that no test provokes, each with the reason.
var hardToProvoke = map[disk.Code]string{
	disk.ChainBroken:            "an unknown layout whose list of sectors does not survive another size",
	disk.ChecksumBroken:         "an unknown layout whose checksum does not survive another size",
	disk.CompareManyUnexplained: "originals with more than 2,048 readings that may be checksums",
	disk.CompareTooDifferent:    "originals that differ in more than 8,192 sectors, a few bytes each",
	disk.ExtBackupUnread:        "a volume of several groups, one of whose copies cannot be read",
	disk.ExtMoreFindings:        "a volume with hundreds of damaged directories",
	disk.ExtTooDeep:             "a volume with a path that is longer than any system makes",
	disk.TableNotRenderable:     "a table with an entry that the planner shortens and the table refuses",
}

// TestEveryCodeIsProvoked: some test names the code, by its constant or its
// text, or a script does. That it is provoked there is up to that test.
func TestEveryCodeIsProvoked(t *testing.T) {
	var tests strings.Builder
	eachFile(t, func(path string) {
		name := filepath.ToSlash(strings.TrimPrefix(path, top+"/"))
		if !strings.HasSuffix(name, "_test.go") && !strings.HasPrefix(name, "testdata/script/") ||
			strings.HasPrefix(name, "image/disk/register/") {
			return
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		tests.Write(b)
	})
	words := map[string]bool{}
	for _, w := range strings.FieldsFunc(tests.String(), func(r rune) bool {
		return r != '-' && r != '_' && r != '.' && !unicode.IsLetter(r) && !unicode.IsDigit(r)
	}) {
		words[strings.TrimRight(w, ".")] = true
	}
	for name, code := range constants(t) {
		named, why := words["disk."+name] || words[string(code)], hardToProvoke[code]
		switch {
		case !named && why == "":
			t.Errorf("%s (%q) is provoked by no test", name, code)
		case named && why != "":
			t.Errorf("%s is named by a test, and listed as hard to provoke", code)
		}
	}
	for code := range hardToProvoke {
		if _, ok := Of(code); !ok {
			t.Errorf("%q is listed as hard to provoke, and is no code", code)
		}
	}
}
