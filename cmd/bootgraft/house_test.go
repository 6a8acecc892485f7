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
	"image/peek":          {"image/disk", "image", "image/ata", "image/bridge"},
	"image/pieces":        {"image/disk", "image"},
	// The record, what it says of a drive, and the image as a source; it knows no engine.
	"image/capture/record":  {"image/disk", "image", "image/packed"},
	"image/packed":          {"image/disk", "image"},
	"image/capture":         {"image/disk", "image", "image/packed", "image/ata", "image/bridge", "image/capture", "image/capture/..."},
	"image/nbd":             {"image/disk", "image"},
	"image/ata":             {"image/disk"},
	"image/bridge":          {"image/disk", "image", "image/ata"},
	"layout":                {"image/disk"},
	"layout/volume":         {"image/disk", "layout"},
	"layout/table/gpt":      append([]string{"layout/table/mbr"}, ground...),
	"layout/rule/candidate": ground,
	"layout/rule/compare":   append([]string{"layout/rule/candidate"}, ground...),
	"layout/kit":            ground,
	"layout/kit/gather": append([]string{
		"image/pieces", "layout/kit", "layout/scan", "layout/scan/link", "layout/table/gpt", "layout/table/mbr", "layout/volume/fat",
	}, ground...),
	"layout/kit/donor":     append([]string{"layout/kit", "layout/kit/gather"}, ground...),
	"layout/scan":          slices.Concat(ground, formats, []string{"layout/volume/fat/resize", "layout/rule/candidate"}),
	"layout/scan/geometry": ground,
	"layout/scan/files":    append([]string{"layout/scan", "layout/volume"}, ground...),
	"layout/scan/order":    append([]string{"image/capture", "layout/scan", "layout/scan/files", "layout/scan/sound", "layout/scan/sound/tracks"}, ground...),
	"layout/scan/diff":     append([]string{"layout/rule/candidate", "layout/scan", "layout/scan/files", "layout/volume"}, ground...),
	"layout/scan/owners":   append([]string{"layout/scan/files"}, ground...),
	"layout/scan/second":   slices.Concat(ground, formats, []string{"layout/scan", "layout/scan/files"}),
	"layout/scan/link":     append([]string{"layout/rule/candidate", "layout/scan/files", "layout/table/mbr"}, ground...),
	"layout/scan/sound":    append([]string{"image/capture/audio"}, ground...),
	// Tables of the disk order pieces; it asks of the sound its borders alone.
	"layout/scan/sound/join":   append([]string{"layout/rule/candidate"}, ground...),
	"layout/scan/sound/tracks": append([]string{"layout/scan/files", "layout/scan/sound", "layout/scan/sound/join"}, ground...),
	"layout/plan":              {"image/disk", "layout"},
	"layout/plan/card":         append([]string{"layout/plan"}, ground...),
	"layout/plan/starts":       append([]string{"layout/plan", "layout/plan/card", "layout/scan", "layout/scan/files", "layout/scan/link"}, ground...),
	"layout/plan/offer":        append([]string{"layout/plan", "layout/plan/fit"}, ground...),
	"layout/plan/fit": append([]string{
		"layout/plan", "layout/plan/card", "layout/plan/starts", "layout/scan", "layout/scan/link", "layout/table/mbr", "layout/table/gpt",
		"layout/volume", "layout/rule/candidate", "layout/rule/compare",
	}, ground...),
	"safety": append([]string{
		"image/capture/record", "image/packed", "layout/kit", "layout/rule/compare", "layout/plan", "layout/plan/card",
		"safety/blockdev", "safety/newfile", "safety/notes", "safety/receipt",
	}, ground...),
	"safety/notes":   {"safety/newfile"},
	"safety/archive": append([]string{"image/packed", "layout/plan", "safety/newfile"}, ground...),
	// The form of a receipt; whether a card is the one of it is for safety to judge.
	"safety/receipt":  append([]string{"layout/plan", "safety/blockdev", "safety/newfile"}, ground...),
	"safety/blockdev": append([]string{"image/ata"}, ground...),
	"safety/newfile":  {},
	"safety/held": append([]string{
		"layout/scan", "layout/scan/files", "layout/volume/probe", "layout/plan", "safety",
	}, ground...),
	"safety/rescue": append([]string{"image/capture/audio", "layout/scan", "layout/scan/files", "layout/scan/sound", "layout/scan/sound/tracks", "safety/newfile"}, ground...),

	"cmd/bootgraft/words": {},
	"cmd/bootgraft/build": {},
	// A document is a form of values: it opens nothing (see noFiles), and reaches no terminal.
	"cmd/bootgraft/document": append([]string{
		"image/disk/register", "image/ata", "image/capture", "image/nbd", "layout/kit", "layout/kit/gather", "layout/plan", "layout/plan/offer", "layout/plan/starts", "layout/scan/link", "layout/rule/candidate", "layout/rule/compare",
		"layout/scan", "layout/scan/diff", "layout/scan/geometry", "layout/scan/owners", "layout/scan/second", "layout/scan/sound", "layout/scan/sound/join", "layout/scan/sound/tracks",
		"safety", "safety/archive", "safety/blockdev", "safety/held", "safety/rescue", "cmd/bootgraft/build",
	}, ground...),
	"cmd/bootgraft/talk": {"image/disk", "cmd/bootgraft/words", "cmd/bootgraft/document"},
	// What a person types may stand for any file or device; nothing is shown here.
	"cmd/bootgraft/input": append([]string{
		"image/ata", "image/capture", "image/capture/record", "image/packed", "image/pieces", "layout/kit", "layout/plan", "layout/plan/card", "layout/plan/fit", "layout/plan/starts", "layout/rule/compare",
		"layout/scan", "layout/scan/files", "layout/scan/sound", "layout/scan/sound/tracks", "layout/table/mbr", "layout/volume", "safety", "safety/archive", "safety/blockdev",
		"safety/newfile", "safety/notes", "safety/rescue", "cmd/bootgraft/document", "cmd/bootgraft/talk", "cmd/bootgraft/words",
	}, ground...),
	// A page is text from values: it opens nothing (see noFiles) and asks nobody.
	"cmd/bootgraft/page": append([]string{
		"image/disk/register", "image/ata", "image/capture", "image/nbd", "layout/kit", "layout/kit/gather", "layout/plan", "layout/plan/offer", "layout/plan/starts",
		"layout/rule/candidate", "layout/rule/compare", "layout/scan", "layout/scan/diff", "layout/scan/geometry", "layout/scan/link", "layout/scan/owners", "layout/scan/second",
		"layout/scan/sound", "layout/scan/sound/tracks", "safety", "safety/archive", "safety/blockdev", "safety/held", "safety/rescue", "cmd/bootgraft/build", "cmd/bootgraft/talk", "cmd/bootgraft/words",
		"cmd/bootgraft/page/drawing", "cmd/bootgraft/page/report",
	}, ground...),
	"cmd/bootgraft/page/topic":   {},
	"cmd/bootgraft/page/drawing": append([]string{"layout/plan", "cmd/bootgraft/words"}, ground...),
	"cmd/bootgraft/page/report":  {"image/disk", "cmd/bootgraft/page/drawing", "cmd/bootgraft/words"},
	// The conversation about a drive or card; what may be done to it is for safety to say.
	"cmd/bootgraft/device": append([]string{
		"image/ata", "image/peek", "layout/plan", "layout/plan/starts", "safety", "safety/blockdev", "safety/held", "safety/newfile", "safety/receipt",
		"cmd/bootgraft/document", "cmd/bootgraft/input", "cmd/bootgraft/page", "cmd/bootgraft/talk", "cmd/bootgraft/words",
	}, ground...),
	// Only main imports the demonstration, which lets the commands do the job.
	"cmd/bootgraft/demo": append([]string{
		"image/capture", "layout/table/mbr", "layout/volume/fat", "layout/volume/fat/format", "safety/newfile", "cmd/bootgraft/document",
		"cmd/bootgraft/talk", "cmd/bootgraft/words",
	}, ground...),
}

// speakers are the packages that may print or end the program.
var speakers = []string{"cmd/bootgraft", "cmd/bootgraft/talk", "testdata/fixture"}

// testOnly are packages for tests alone; no program may contain them.
var testOnly = []string{
	"image/imagetest", "image/imagetest/need", "layout/layouttest", "layout/layouttest/disks", "image/imagetest/loaders", "image/imagetest/machine",
	"image/imagetest/guest", "image/imagetest/guest/init", "image/imagetest/usbdrive",
	"layout/rule/compare/family", "layout/rule/compare/fleet", "layout/scan/link/loaders", "layout/scan/sound/studio", "image/capture/rig", "safety/faultdev",
}

// noWorld are packages that see no file system, no clock and no randomness.
var noWorld = []string{
	"image/disk", "layout", "layout/plan", "layout/plan/fit", "layout/plan/card", "layout/plan/offer", "layout/plan/starts", "layout/scan", "layout/scan/geometry", "layout/scan/link", "layout/scan/sound", "layout/scan/sound/join", "layout/scan/sound/tracks", "layout/rule/candidate",
	"layout/rule/compare", "layout/scan/diff", "layout/volume/fat/resize", "layout/kit", "layout/kit/gather",
}

// noFiles are packages that open no file of their own accord.
var noFiles = []string{"cmd/bootgraft/words", "cmd/bootgraft/document", "cmd/bootgraft/page", "cmd/bootgraft/page/drawing", "cmd/bootgraft/page/report"}

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

// TestNoInventedGeometry: what the kernel says of cylinders and heads it invents, of 255
// heads on one bus and 4 on another where the drive says 16 (seen with Linux 6.1): nobody
// asks it. HDIO_GETGEO is ioctl 0301h (linux/hdreg.h).
func TestNoInventedGeometry(t *testing.T) {
	asks := regexp.MustCompile(`(?i)HDIO_GETGEO|\b0x0?301\b`)
	for path, text := range sources(t) {
		if slices.Contains(testOnly, filepath.ToSlash(strings.TrimPrefix(filepath.Dir(path), "../../"))) {
			continue
		}
		for i, line := range strings.Split(text, "\n") {
			if code, _, _ := strings.Cut(line, "//"); asks.MatchString(code) && !strings.HasSuffix(path, "_test.go") {
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
