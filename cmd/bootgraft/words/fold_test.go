package words

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestFoldByCells: the width of a line is what a terminal shows. An East Asian
// wide character takes two cells (Unicode Standard Annex #11, table 1: W), a
// combining accent none.
func TestFoldByCells(t *testing.T) {
	wide := strings.Repeat("録音 ", 20) // 4 cells and a blank: 16 of them fill 79 cells
	lines := strings.Split(strings.TrimSuffix(Fold("", wide), "\n"), "\n")
	if len(lines) != 2 || strings.Count(lines[0], "録音") != 16 {
		t.Errorf("wide characters: %q", lines)
	}
	narrow := strings.Repeat("e\u0301tude ", 20) // 5 cells and a blank: 13 of them fill 77 cells
	if lines = strings.Split(Fold("", narrow), "\n"); strings.Count(lines[0], "tude") != 13 {
		t.Errorf("combining accents: %q", lines)
	}
	if got, want := Fold("録: ", strings.Repeat("x", 70)+" "+strings.Repeat("y", 20)),
		"録: "+strings.Repeat("x", 70)+"\n    "+strings.Repeat("y", 20)+"\n"; got != want {
		t.Errorf("below a wide prefix: %q", got)
	}
}

// TestFoldKeepsEveryWord: whatever the text, its words stay, in order, and only
// a word that is wider than a line makes a line too wide.
func TestFoldKeepsEveryWord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		folded := Fold("  ", text)
		if got, want := strings.Join(strings.Fields(folded), " "), strings.Join(strings.Fields(text), " "); got != want {
			t.Fatalf("%q became %q", want, got)
		}
		for _, line := range strings.Split(folded, "\n") {
			if Cells(line) > lineWidth && len(strings.Fields(line)) > 1 {
				t.Fatalf("%d cells: %q", Cells(line), line)
			}
		}
	})
}

func TestCut(t *testing.T) {
	for _, c := range []struct {
		text  string
		cells int
		want  string
	}{
		{"abc", 2, "ab"}, {"abc", 3, "abc"}, {"録音", 3, "録"}, {"録音", 4, "録音"}, {"e\u0301tude", 1, "e\u0301"}, {"x", 0, ""},
	} {
		if got := Cut(c.text, c.cells); got != c.want {
			t.Errorf("%q in %d cells: %q, want %q", c.text, c.cells, got, c.want)
		}
	}
}

// A line of a page for 80 cells is broken for fewer, at blanks, but for one that is to be
// pasted, and no word is lost.
func TestNarrow(t *testing.T) {
	for in, want := range map[string]string{
		"card.img is written: 614,400 sectors of 512 bytes":            "card.img is written: 614,400 sectors of\n  512 bytes\n",
		"             63         504,000  volume    entry 1":           "             63         504,000  volume\n            entry 1\n",
		"  bootgraft verify card.plan a-long-name-of-a-card.img":       "  bootgraft verify card.plan a-long-name-of-a-card.img\n",
		"  dd if=old.img of=volume.img bs=512 skip=8192 count=400":     "  dd if=old.img of=volume.img bs=512 skip=8192 count=400\n",
		"  qemu-system-i386 -m 128 -drive format=raw,file=nbd://there": "  qemu-system-i386 -m 128 -drive format=raw,file=nbd://there\n",
		"short": "short\n",
		"0123456789012345678901234567890123456789ab":     "0123456789012345678901234567890123456789\n  ab\n",
		"012345678901234567890123456789 0123456789 abcd": "012345678901234567890123456789\n  0123456789 abcd\n",
	} {
		if got := Narrow(40, in); got != want {
			t.Errorf("%q becomes %q, want %q", in, got, want)
		}
	}
}
