package archive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"bootgraft/image"
	"bootgraft/image/disk"
	"bootgraft/image/imagetest"
	"bootgraft/image/imagetest/need"
	"bootgraft/layout"
	"bootgraft/safety/newfile"
)

// small is a job with a file, a card and a text.
func small(t testing.TB, dir string) Job {
	t.Helper()
	src := filepath.Join(t.TempDir(), "old.img")
	if err := os.WriteFile(src, bytes.Repeat([]byte("drive"), 300_000), 0o666); err != nil { // 1.5 MB
		t.Fatal(err)
	}
	card := imagetest.New(8000, 512)
	card.Put(10, bytes.Repeat([]byte{7}, 512*1000))
	return Job{
		Dir: dir,
		Items: []Item{
			{Name: "old.img", Path: src},
			{Name: "card.img", Card: card, Pieces: []layout.Piece{
				{Span: disk.Span{Count: 4000}, Op: layout.Copy, Why: layout.WhyUnchanged},
				{Span: disk.Span{Start: 4000, Count: 4000}, Op: layout.Leave, Why: layout.WhyExcess},
			}},
			{Name: "photos/a.jpg", Text: []byte("no picture")},
		},
		How: func([]File) []byte { return []byte("how\n") },
	}
}

// listing is every file of a folder with its bytes.
func listing(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for name, err := range walk(os.DirFS(dir)) {
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		out[name] = string(b)
	}
	return out
}

func whole(t *testing.T, dir string) {
	t.Helper()
	f, err := Check(context.Background(), dir, func(int64, int64) {})
	if err != nil || !f.Whole() || len(f.Added) > 0 || f.Files != 4 {
		t.Errorf("%s: %+v, %v", dir, f, err)
	}
}

// TestAnArchiveIsWholeOrNotThere: stopped at any step there is no archive and nothing
// else; killed at any step there is none either, and the next run takes away what was
// left.
func TestAnArchiveIsWholeOrNotThere(t *testing.T) {
	t.Parallel()
	for step := 1; ; step++ {
		parent := t.TempDir()
		ctx, cancel := context.WithCancel(context.Background())
		dir, left := filepath.Join(parent, "a"), filepath.Join(parent, "killed")
		job, n := small(t, dir), 0
		job.Progress = func(int64, int64) {
			if n++; n != step {
				return
			}
			if _, err := os.Stat(dir); err == nil {
				t.Errorf("step %d: half an archive has its name", step)
			}
			if _, err := Make(context.Background(), small(t, dir)); err == nil {
				t.Errorf("step %d: two runs make one archive", step)
			}
			if err := os.CopyFS(left+newfile.Unfinished, os.DirFS(dir+newfile.Unfinished)); err != nil {
				t.Error(err)
			}
			cancel()
		}
		_, err := Make(ctx, job)
		cancel()
		if n < step {
			if err != nil || step < 10 {
				t.Errorf("only %d steps, %v", n, err)
			}
			whole(t, dir)
			return
		}
		if !errors.Is(err, context.Canceled) {
			t.Errorf("step %d: %v", step, err)
		}
		if entries, _ := os.ReadDir(parent); len(entries) != 1 || entries[0].Name() != "killed"+newfile.Unfinished {
			t.Errorf("step %d: there is %v", step, entries)
		}
		if _, err := Make(context.Background(), small(t, left)); err != nil {
			t.Errorf("step %d, after it was killed: %v", step, err)
		}
		whole(t, left)
		if _, err := os.Stat(left + newfile.Unfinished); err == nil {
			t.Errorf("step %d: the leftover stays", step)
		}
	}
}

// TestWhatTheArchiveHolds: holes of a card read as zeros, and the list is one that
// sha256sum would write (its two blanks, GNU coreutils manual, sha2 utilities).
func TestWhatTheArchiveHolds(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "a")
	files, err := Make(context.Background(), small(t, dir))
	if err != nil {
		t.Fatal(err)
	}
	have := listing(t, dir)
	if len(have) != 5 || len(have["card.img"]) != 8000*512 || have["card.img"][10*512] != 7 ||
		strings.Trim(have["card.img"][4000*512:], "\x00") != "" || len(files) != 4 {
		t.Errorf("%d files", len(have))
	}
	for line := range strings.Lines(have[ContentsName]) {
		if len(line) < 67 || line[64:66] != "  " || have[strings.TrimSpace(line[66:])] == "" {
			t.Errorf("a line %q", line)
		}
	}
}

// TestEveryChangedByteIsFound, whatever file it is in, and in the list itself.
func TestEveryChangedByteIsFound(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "a")
	if _, err := Make(context.Background(), small(t, dir)); err != nil {
		t.Fatal(err)
	}
	for name, text := range listing(t, dir) {
		for _, at := range []int{0, len(text) / 2, len(text) - 1} {
			b := []byte(text)
			b[at] ^= 1
			path := filepath.Join(dir, name)
			if err := os.WriteFile(path, b, 0o666); err != nil {
				t.Fatal(err)
			}
			f, err := Check(context.Background(), dir, func(int64, int64) {})
			if name == ContentsName {
				if err == nil && f.Whole() {
					t.Errorf("byte %d of the list: not found", at)
				}
			} else if err != nil || !slices.Equal(f.Damaged, []string{name}) {
				t.Errorf("byte %d of %s: %+v, %v", at, name, f, err)
			}
			if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
				t.Fatal(err)
			}
		}
	}
	whole(t, dir)
}

// TestAFileThatGrowsMeanwhile: an image into which somebody writes while it is copied is in
// no archive, neither half nor whole.
func TestAFileThatGrowsMeanwhile(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "a")
	job := small(t, dir)
	job.Progress = func(done, _ int64) {
		f, err := os.OpenFile(job.Items[0].Path, os.O_APPEND|os.O_WRONLY, 0)
		if err == nil && done <= 1<<20 {
			_, err = f.WriteString("more")
		}
		if err := errors.Join(err, f.Close()); err != nil {
			t.Error(err)
		}
	}
	if _, err := Make(context.Background(), job); image.FaultOf(err) != image.Changed {
		t.Errorf("got %v", err)
	}
	if _, err := os.Lstat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("there is an archive, %v", err)
	}
}

// TestWhatDoesNotReadBackIsNoArchive: a disk that gives back something else than it was given.
func TestWhatDoesNotReadBackIsNoArchive(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "a")
	job := small(t, dir)
	job.How = func([]File) []byte { // all but the texts is written by then
		if err := os.WriteFile(filepath.Join(dir+newfile.Unfinished, "photos", "a.jpg"), []byte("another ph"), 0o666); err != nil {
			t.Error(err)
		}
		return []byte("how\n")
	}
	if _, err := Make(context.Background(), job); err == nil || !strings.Contains(err.Error(), "photos/a.jpg") {
		t.Errorf("got %v", err)
	}
	if _, err := os.Lstat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("there is an archive, %v", err)
	}
}

// TestAListThatLostItsEnd: files that it no longer names would pass for added ones, which
// harm nothing.
func TestAListThatLostItsEnd(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "a")
	if _, err := Make(context.Background(), small(t, dir)); err != nil {
		t.Fatal(err)
	}
	list := listing(t, dir)[ContentsName]
	lines := slices.Collect(strings.Lines(list))
	for what, damaged := range map[string]string{
		"without its last line": strings.Join(lines[:len(lines)-1], ""),
		"with a long line":      lines[0] + strings.Repeat("x", 1<<17) + list,
	} {
		if err := os.WriteFile(filepath.Join(dir, ContentsName), []byte(damaged), 0o666); err != nil {
			t.Fatal(err)
		}
		var no *NoArchiveError
		if f, err := Check(context.Background(), dir, func(int64, int64) {}); !errors.As(err, &no) {
			t.Errorf("%s: %+v, %v", what, f, err)
		}
	}
}

// TestAListThatLeadsElsewhere: a list from somebody else reads nothing outside its folder.
func TestAListThatLeadsElsewhere(t *testing.T) {
	zero := strings.Repeat("0", 64)
	for _, list := range []string{
		"", "x\n", zero + "  a", zero + "  ../a\n", zero + "  /etc/passwd\n", zero + " a\n", strings.Repeat("z", 64) + "  a\n",
	} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, ContentsName), []byte(list), 0o666); err != nil {
			t.Fatal(err)
		}
		var no *NoArchiveError
		if _, err := Check(context.Background(), dir, func(int64, int64) {}); !errors.As(err, &no) {
			t.Errorf("%q: %v", list, err)
		}
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, ContentsName), []byte(zero+"  link\n"+zero+"  folder\n"+zero+"  "+HowName+"\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "folder"), 0o777); err != nil {
		t.Fatal(err)
	}
	outside := filepath.Join(t.TempDir(), "outside")
	if err := os.WriteFile(outside, []byte("of somebody else"), 0o666); err != nil {
		t.Fatal(err)
	}
	err := os.Symlink(outside, filepath.Join(dir, "link"))
	if err == nil {
		_, err = os.Lstat(filepath.Join(dir, "link"))
	}
	if err != nil {
		need.Absent(t, fmt.Sprintf("links that are then found: %v", err))
	}
	f, err := Check(context.Background(), dir, func(int64, int64) {})
	if err != nil || !slices.Equal(f.Damaged, []string{"link", "folder"}) || !slices.Equal(f.Missing, []string{HowName}) {
		t.Errorf("%+v, %v", f, err)
	}
}

// TestNamesThatAnyDiskTakes: none of them leads anywhere, and no two are one on a file
// system that knows no case.
func TestNamesThatAnyDiskTakes(t *testing.T) {
	n := NewNames()
	for _, c := range [][2]string{
		{"a.jpg", "a.jpg"}, {"A.JPG", "A-2.JPG"}, {"a.jpg", "a-3.jpg"}, {"how.txt", "how-2.txt"}, {"Being-Made", "Being-Made-2"}, {"x:y?.png", "x_y_.png"},
		{"\x1b[2J", "_[2J"}, {"dots. .", "dots"}, {" ", "_"}, {"\xff\xfe.raw", "_.raw"}, {"Grüße.txt", "Grüße.txt"},
		{strings.Repeat("ü", 300) + ".jpeg", strings.Repeat("ü", 97) + ".jpeg"}, {"x\u202egpj.exe", "x_gpj.exe"},
	} {
		if got := n.Take(c[0]); got != c[1] {
			t.Errorf("%q is %q, want %q", c[0], got, c[1])
		}
	}
	if got := n.Take("photos/a.jpg"); got != "photos/a.jpg" {
		t.Errorf("in another folder: %q", got)
	}
}
