package main

import (
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// ground is what everybody may know: sectors, sources, and the vocabulary.
var ground = []string{"image/disk", "image", "layout"}

// tables and volumes are the packages that each know one format.
var (
	tables = []string{
		"layout/table/mbr", "layout/table/gpt", "layout/table/apple", "layout/table/bsd", "layout/table/sun",
		"layout/table/amiga", "layout/table/atari",
	}
	volumes = []string{"layout/volume", "layout/volume/fat", "layout/volume/ext", "layout/volume/probe"}
	formats = slices.Concat(tables, volumes)
)

// mayImport says which packages of this module a package may import. A name
// that ends in /... stands for everything below it.
var mayImport = map[string][]string{
	"image/disk":          {},
	"image/disk/register": {"image/disk"},
	"image":               {"image/disk"},
	"image/peek":          {"image/disk", "image"},
	"image/pieces":        {"image/disk", "image"},
	// The form of the record alone: what its lines say of a drive is for the engine.
	"image/capture/record":  {"image/disk", "image"},
	"image/capture":         {"image/disk", "image", "image/capture", "image/capture/..."},
	"image/nbd":             {"image/disk", "image"},
	"image/ata":             {"image/disk"},
	"layout":                {"image/disk"},
	"layout/volume":         {"image/disk", "layout"},
	"layout/table/gpt":      append([]string{"layout/table/mbr"}, ground...),
	"layout/rule/candidate": ground,
	"layout/rule/compare":   append([]string{"layout/rule/candidate"}, ground...),
	"layout/kit":            ground,
	"layout/kit/gather": append([]string{
		"image/pieces", "layout/kit", "layout/scan", "layout/table/gpt", "layout/table/mbr",
	}, ground...),
	"layout/scan":        slices.Concat(ground, formats, []string{"layout/rule/candidate"}),
	"layout/scan/files":  append([]string{"layout/scan", "layout/volume"}, ground...),
	"layout/scan/order":  append([]string{"image/capture", "layout/scan", "layout/scan/files"}, ground...),
	"layout/scan/diff":   append([]string{"layout/rule/candidate", "layout/scan", "layout/scan/files", "layout/volume", "layout/volume/fat"}, ground...),
	"layout/scan/owners": append([]string{"layout/scan/files"}, ground...),
	"layout/scan/second": slices.Concat(ground, formats, []string{"layout/scan", "layout/scan/files"}),
	"layout/plan":        {"image/disk", "layout"},
	"layout/plan/card":   append([]string{"layout/plan"}, ground...),
	"layout/plan/fit": append([]string{
		"layout/plan", "layout/plan/card", "layout/scan", "layout/table/mbr", "layout/table/gpt", "layout/volume", "layout/volume/fat",
		"layout/volume/fat/resize", "layout/rule/candidate", "layout/rule/compare",
	}, ground...),
	"safety": append([]string{
		"image/capture", "image/capture/record", "layout/kit", "layout/rule/compare", "layout/plan", "layout/plan/card",
		"safety/blockdev", "safety/newfile", "safety/receipt",
	}, ground...),
	// The form of a receipt; whether a card is the one of it is for safety to judge.
	"safety/receipt":  append([]string{"layout/plan", "safety/blockdev", "safety/newfile"}, ground...),
	"safety/blockdev": append([]string{"image/ata"}, ground...),
	"safety/newfile":  {},
	"safety/held": append([]string{
		"layout/scan", "layout/scan/files", "layout/volume/probe", "layout/plan", "safety",
	}, ground...),
	"safety/rescue": append([]string{"image/capture/audio", "layout/scan", "layout/scan/files", "safety/newfile"}, ground...),

	"cmd/bootgraft/words": {},
	// A document is a form of values: it opens nothing (see noFiles), and reaches no terminal.
	"cmd/bootgraft/document": append([]string{
		"image/disk/register", "image/ata", "image/capture", "image/nbd", "layout/kit", "layout/kit/gather", "layout/plan", "layout/rule/candidate", "layout/rule/compare",
		"layout/scan", "layout/scan/diff", "layout/scan/owners", "layout/scan/second", "safety", "safety/blockdev", "safety/held", "safety/rescue",
	}, ground...),
	"cmd/bootgraft/talk": {"image/disk", "cmd/bootgraft/words", "cmd/bootgraft/document"},
	// What a person types may stand for any file or device; nothing is shown here.
	"cmd/bootgraft/input": append([]string{
		"image/ata", "image/capture", "image/pieces", "layout/kit", "layout/plan", "layout/plan/card", "layout/plan/fit", "layout/rule/compare",
		"layout/scan", "layout/scan/files", "layout/table/mbr", "layout/volume/fat/resize", "safety", "safety/blockdev", "safety/newfile", "safety/rescue",
		"cmd/bootgraft/document", "cmd/bootgraft/talk", "cmd/bootgraft/words",
	}, ground...),
	// A page is text from values: it opens nothing (see noFiles) and asks nobody.
	"cmd/bootgraft/page": append([]string{
		"image/disk/register", "image/ata", "image/capture", "layout/kit", "layout/kit/gather", "layout/plan", "layout/rule/candidate", "layout/rule/compare", "layout/scan", "layout/scan/diff",
		"image/nbd", "layout/scan/owners", "layout/scan/second", "safety", "safety/blockdev", "safety/held", "safety/rescue", "cmd/bootgraft/talk", "cmd/bootgraft/words",
	}, ground...),
	// The conversation about a drive or card; what may be done to it is for safety to say.
	"cmd/bootgraft/device": append([]string{
		"layout/plan", "safety", "safety/blockdev", "safety/held", "safety/newfile", "safety/receipt",
		"cmd/bootgraft/document", "cmd/bootgraft/input", "cmd/bootgraft/page", "cmd/bootgraft/talk", "cmd/bootgraft/words",
	}, ground...),
	// Only main imports the demonstration, which lets the commands do the job.
	"cmd/bootgraft/demo": append([]string{
		"image/capture", "layout/table/mbr", "layout/volume/fat", "layout/volume/fat/format", "safety/newfile", "cmd/bootgraft/talk", "cmd/bootgraft/document",
	}, ground...),
}

// speakers are the packages that may print or end the program.
var speakers = []string{"cmd/bootgraft", "cmd/bootgraft/talk", "testdata/fixture"}

// testOnly are packages for tests alone; no program may contain them.
var testOnly = []string{
	"image/imagetest", "image/imagetest/need", "image/imagetest/disks", "layout/rule/compare/family", "layout/rule/compare/fleet", "image/capture/rig", "safety/faultdev",
}

// noWorld are packages that see no file system, no clock and no randomness.
var noWorld = []string{
	"image/disk", "layout", "layout/plan", "layout/plan/fit", "layout/plan/card", "layout/scan", "layout/rule/candidate",
	"layout/rule/compare", "layout/scan/diff", "layout/volume/fat/resize", "layout/kit", "layout/kit/gather",
}

// noFiles are packages that open no file of their own accord.
var noFiles = []string{"cmd/bootgraft/words", "cmd/bootgraft/document", "cmd/bootgraft/page"}

type goPackage struct {
	ImportPath string
	Imports    []string
}

func listPackages(t *testing.T) []goPackage {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "./...")
	cmd.Dir = "../.."
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []goPackage
	for dec := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p goPackage
		if err := dec.Decode(&p); err == io.EOF {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

// allowed tells whether a package may import another one of this module.
func allowed(from, to string) bool {
	switch {
	case slices.Contains(testOnly, from):
		return !strings.HasPrefix(to, "cmd")
	case slices.Contains(testOnly, to):
		return false
	case from == "cmd/bootgraft":
		return true
	}
	rules, known := mayImport[from]
	if !known && slices.Contains(formats, parentFormat(from)) {
		rules = slices.Concat(ground, formats)
	}
	if !known && strings.HasPrefix(from, "image/capture/") {
		rules = mayImport["image/capture"]
	}
	return slices.ContainsFunc(rules, func(r string) bool {
		below, open := strings.CutSuffix(r, "/...")
		return r == to || open && strings.HasPrefix(to, below+"/")
	})
}

// parentFormat returns the format that a package is, or lies below.
func parentFormat(pkg string) string {
	for _, f := range formats {
		if pkg == f || strings.HasPrefix(pkg, f+"/") {
			return f
		}
	}
	return ""
}

// TestImports holds the packages apart: who may know whom.
func TestImports(t *testing.T) {
	for _, p := range listPackages(t) {
		from := strings.TrimPrefix(p.ImportPath, "bootgraft/")
		for _, i := range p.Imports {
			to, ours := strings.CutPrefix(i, "bootgraft/")
			switch {
			case ours && !allowed(from, to):
				t.Errorf("%s imports %s, which it must not know", from, to)
			case strings.HasPrefix(i, "golang.org/x/sys") && from != "safety/blockdev" && from != "safety/newfile":
				t.Errorf("%s imports %s; only safety/blockdev and safety/newfile may", from, i)
			case slices.Contains(noFiles, from) && slices.Contains([]string{"os", "io/fs", "os/exec", "syscall", "net"}, i):
				t.Errorf("%s imports %s; it must open nothing", from, i)
			case slices.Contains(noWorld, from) && slices.Contains([]string{"os", "time", "math/rand", "math/rand/v2", "crypto/rand", "net"}, i):
				t.Errorf("%s imports %s; it must stay without file system, clock and randomness", from, i)
			}
		}
	}
}

// sources returns the text of every Go file of the module, by path.
func sources(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	err := filepath.WalkDir("../..", func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".go" {
			return err
		}
		b, err := os.ReadFile(path)
		out[path] = string(b)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestOnlyCmdSpeaks: nothing outside cmd prints or ends the program.
func TestOnlyCmdSpeaks(t *testing.T) {
	speaks := regexp.MustCompile(`\bfmt\.Print|\bos\.Std(out|err)\b|\bos\.Exit\(|\blog\.|\bprintln\(`)
	for path, text := range sources(t) {
		pkg := filepath.ToSlash(strings.TrimPrefix(filepath.Dir(path), "../../"))
		if slices.Contains(speakers, pkg) || strings.HasSuffix(path, "_test.go") || slices.Contains(testOnly, pkg) {
			continue
		}
		for i, line := range strings.Split(text, "\n") {
			if code, _, _ := strings.Cut(line, "//"); speaks.MatchString(code) {
				t.Errorf("%s:%d: %s", path, i+1, strings.TrimSpace(line))
			}
		}
	}
}

// TestPromisesAreProved: each promise of SAFETY.md names tests that exist.
func TestPromisesAreProved(t *testing.T) {
	text, err := os.ReadFile("../../SAFETY.md")
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	for path, s := range sources(t) {
		if strings.HasSuffix(path, "_test.go") {
			all.WriteString(s)
		}
	}
	named := regexp.MustCompile("`((?:Test|Fuzz)[A-Za-z0-9_]+)(?:/([a-z-]+))?`")
	promises := 0
	for _, line := range strings.Split(string(text), "\n") {
		if !regexp.MustCompile(`^\| [0-9A-Z][0-9A-Z-]* \|`).MatchString(line) {
			continue
		}
		promises++
		tests := named.FindAllStringSubmatch(line, -1)
		if len(tests) == 0 {
			t.Errorf("no test is named by: %s", line)
		}
		for _, m := range tests {
			if !strings.Contains(all.String(), "func "+m[1]+"(") {
				t.Errorf("%s does not exist, but proves: %s", m[1], line)
			}
			if m[2] == "" {
				continue
			}
			if _, err := os.Stat("../../testdata/script/" + m[2] + ".txtar"); err != nil {
				t.Errorf("the script %s does not exist, but proves: %s", m[2], line)
			}
		}
	}
	if promises < 10 {
		t.Errorf("only %d promises were found in SAFETY.md", promises)
	}
}
