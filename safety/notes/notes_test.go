package notes

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bootgraft/safety/newfile"
)

var noon = time.Date(2004, 2, 29, 12, 5, 0, 0, time.UTC)

// TestWhatIsTypedByHandStays: a file that was filled in, also by an editor of another
// system, keeps every byte, and lines are added behind it.
func TestWhatIsTypedByHandStays(t *testing.T) {
	for name, text := range map[string]string{
		"as made":        form,
		"no last end":    title + "\nDevice: Songbird",
		"ends of others": "\uFEFF" + title + "\r\nDevice: Songbird\r\n",
		"nothing left":   title + "\n",
		"not UTF-8":      title + "\nL\xe4rm\n",
	} {
		img := filepath.Join(t.TempDir(), "old.img")
		if err := os.WriteFile(img+Suffix, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, made, err := Make(img); made || err != nil {
			t.Errorf("%s: made %v, %v", name, made, err)
		}
		if now, _ := os.ReadFile(img + Suffix); string(now) != text {
			t.Errorf("%s: Make changed it to %q", name, now)
		}
		_, line, err := Add(img, "  clicks\ttwice\n", noon)
		now, _ := os.ReadFile(img + Suffix)
		rest, kept := bytes.CutPrefix(now, []byte(text))
		if err != nil || !kept || line != "2004-02-29 12:05  clicks twice" || strings.TrimSpace(string(rest)) != line || now[len(now)-1] != '\n' {
			t.Errorf("%s: %q, %v, %q", name, line, err, now)
		}
		if strings.HasSuffix(text, "\r\n") && !strings.HasSuffix(string(rest), "\r\n") {
			t.Errorf("%s: the line ends otherwise than those before it: %q", name, rest)
		}
	}
}

// TestAForeignFileIsLeftAlone: what bears the name of notes and is none stays as it is.
func TestAForeignFileIsLeftAlone(t *testing.T) {
	for name, text := range map[string]string{
		"a shopping list": "bread\n", "an image": strings.Repeat("\x00", 1024), "title below": "x\n" + title + "\n",
		"too long": title + "\n" + strings.Repeat("x", maxBytes),
	} {
		img := filepath.Join(t.TempDir(), "old.img")
		if err := os.WriteFile(img+Suffix, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		var foreign *ForeignError
		if _, _, err := Make(img); !errors.As(err, &foreign) {
			t.Errorf("%s: Make: %v", name, err)
		}
		if _, _, err := Add(img, "x", noon); !errors.As(err, &foreign) {
			t.Errorf("%s: Add: %v", name, err)
		}
		if _, err := Read(img); !errors.As(err, &foreign) {
			t.Errorf("%s: Read: %v", name, err)
		}
		if now, _ := os.ReadFile(img + Suffix); string(now) != text {
			t.Errorf("%s: it was changed", name)
		}
	}
	img := filepath.Join(t.TempDir(), "old.img")
	if err := os.Mkdir(img+Suffix, 0o777); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Add(img, "x", noon); !errors.Is(err, newfile.ErrKind) {
		t.Errorf("a folder: %v", err)
	}
}

// TestPowerWasCutInTheFirstLine: the form is finished then, whatever is there of it.
func TestPowerWasCutInTheFirstLine(t *testing.T) {
	for n := range len(title) {
		img := filepath.Join(t.TempDir(), "old.img")
		if err := os.WriteFile(img+Suffix, []byte(form[:n]), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, made, err := Make(img); !made || err != nil {
			t.Fatalf("%d bytes: %v, %v", n, made, err)
		}
		if now, err := Read(img); string(now) != form || err != nil {
			t.Errorf("%d bytes: %q, %v", n, now, err)
		}
	}
}

// TestTwoRunsDoNotMixTheirLines: as long as another run adds, this one is refused.
func TestTwoRunsDoNotMixTheirLines(t *testing.T) {
	img := filepath.Join(t.TempDir(), "old.img")
	if _, _, err := Make(img); err != nil {
		t.Fatal(err)
	}
	f, err := newfile.Open(img+Suffix, os.O_APPEND)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, _, err := Add(img, "x", noon); !errors.Is(err, newfile.ErrInUse) {
		t.Errorf("%v", err)
	}
}

func TestALineThatWouldSteerATerminal(t *testing.T) {
	for _, text := range []string{"", " \n", "a\x1b[2Jb", "a\u202eb", "\xff", strings.Repeat("x", maxLine+1)} {
		var line *LineError
		if l, err := Line(text, noon); !errors.As(err, &line) {
			t.Errorf("%.20q became %.20q, %v", text, l, err)
		}
	}
	if l, err := Line("47 µF, 5 V\nand 80 °C", noon); err != nil || l != "2004-02-29 12:05  47 µF, 5 V and 80 °C" {
		t.Errorf("%q, %v", l, err)
	}
}

// TestAnswers: a blank that was not filled in, and every other one, is no answer.
func TestAnswers(t *testing.T) {
	text := strings.Replace(form, "Device:", "Device: Songbird 4: the grey one", 1)
	text = strings.Replace(text, "Drive (label, both sides):", "Drive (label, both sides): KESTREL K2040\r", 1)
	text = strings.Replace(text, "Noises, and when:", "Noises, and when: 3 clicks", 1)
	got := Answers([]byte(text), "Device", "Drive")
	if want := []string{"Device: Songbird 4: the grey one", "Drive: KESTREL K2040"}; !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	if got := Answers([]byte(form), "Device", "Drive"); len(got) > 0 {
		t.Errorf("of an empty form: %q", got)
	}
}

// TestAListOfCards: any text of the owner's, but nothing that is no text.
func TestAListOfCards(t *testing.T) {
	list := filepath.Join(t.TempDir(), "cards.txt")
	for _, text := range []string{"starts", "does not"} {
		if _, err := AddTo(list, text, noon); err != nil {
			t.Fatal(err)
		}
	}
	if now, _ := os.ReadFile(list); string(now) != "2004-02-29 12:05  starts\n2004-02-29 12:05  does not\n" {
		t.Errorf("%q", now)
	}
	for _, bad := range []string{"a\x00b", "\xff\xfe"} {
		if err := os.WriteFile(list, []byte(bad), 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := AddTo(list, "x", noon); err == nil {
			t.Errorf("a line was added to %q", bad)
		}
		if now, _ := os.ReadFile(list); string(now) != bad {
			t.Errorf("it is %q now", now)
		}
	}
}
