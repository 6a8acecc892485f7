package register

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"bootgraft/image/disk"
)

const (
	top       = "../../.." // of the module
	codesFile = top + "/image/disk/codes.go"
)

// constants returns the codes by the names of their constants.
func constants(t *testing.T) map[string]disk.Code {
	t.Helper()
	file, err := parser.ParseFile(token.NewFileSet(), codesFile, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]disk.Code{}
	ast.Inspect(file, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok {
			return true
		}
		if kind, ok := v.Type.(*ast.Ident); !ok || kind.Name != "Code" || len(v.Names) != 1 || len(v.Values) != 1 {
			t.Errorf("%s is not one constant of type Code with its text", v.Names[0].Name)
			return true
		}
		out[v.Names[0].Name] = disk.Code(textOf(t, v.Values[0]))
		return true
	})
	if len(out) < 100 {
		t.Fatalf("only %d codes were found in %s", len(out), codesFile)
	}
	return out
}

func textOf(t *testing.T, e ast.Expr) string {
	t.Helper()
	lit, ok := e.(*ast.BasicLit)
	if !ok || lit.Kind != token.STRING {
		t.Fatalf("a code is not a plain text: %v", e)
	}
	text, err := strconv.Unquote(lit.Value)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// eachFile calls do with every file of the module that is kept with it.
func eachFile(t *testing.T, do func(path string)) {
	t.Helper()
	err := filepath.WalkDir(top, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.IsDir() && strings.HasPrefix(d.Name(), ".") && path != top {
			return fs.SkipDir
		}
		if err == nil && d.Type().IsRegular() {
			do(path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// eachProgramFile calls do with the syntax of every Go file that is no test.
func eachProgramFile(t *testing.T, do func(path string, set *token.FileSet, file *ast.File)) {
	t.Helper()
	eachFile(t, func(path string) {
		if filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") {
			return
		}
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, path, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		do(path, set, file)
	})
}

func TestEveryCodeHasOneEntry(t *testing.T) {
	codes := constants(t)
	names := map[disk.Code]string{}
	for name, code := range codes {
		if other, twice := names[code]; twice {
			t.Errorf("%s and %s are both %q", name, other, code)
		}
		names[code] = name
	}
	seen := map[disk.Code]bool{}
	for _, g := range Groups() {
		for _, e := range g.Entries {
			switch {
			case names[e.Code] == "":
				t.Errorf("%q is in the register and no constant", e.Code)
			case seen[e.Code]:
				t.Errorf("%q has two entries", e.Code)
			}
			seen[e.Code] = true
		}
	}
	for code, name := range names {
		if !seen[code] {
			t.Errorf("%s (%q) has no entry", name, code)
		}
	}
	if len(Codes(nil)) != len(codes) {
		t.Errorf("Codes gives %d codes, and there are %d", len(Codes(nil)), len(codes))
	}
}

// TestSentences: a page that is made of the register reads as prose.
func TestSentences(t *testing.T) {
	for _, g := range Groups() {
		if g.Title == "" || len(g.Entries) == 0 {
			t.Errorf("a group is empty: %q", g.Title)
		}
		for _, e := range g.Entries {
			for _, s := range []string{e.Means, e.Do} {
				first := []rune(s + " ")[0]
				begins := unicode.IsUpper(first) || strings.HasPrefix(s, "--") || strings.HasPrefix(s, "swapoff")
				if !begins || !strings.HasSuffix(s, ".") || len(s) > 200 || strings.Contains(s, "  ") {
					t.Errorf("%s: %q", e.Code, s)
				}
			}
		}
	}
}

// TestNoTextIsACode: where a code is meant its constant is used, so that the
// compiler knows of every use.
func TestNoTextIsACode(t *testing.T) {
	// Words that are codes too, and mean something else where they stand.
	allowed := map[string]string{
		"image/capture/options.go: image-changed": "why a capture stopped, in the answer and the record",
		"layout/piece.go: volume-resized":         "why a piece is on the card, in a plan",
	}
	eachProgramFile(t, func(path string, set *token.FileSet, file *ast.File) {
		name := filepath.ToSlash(strings.TrimPrefix(path, top+"/"))
		if name == "image/disk/codes.go" {
			return
		}
		ast.Inspect(file, func(n ast.Node) bool {
			lit, ok := n.(*ast.BasicLit)
			if !ok || lit.Kind != token.STRING {
				return true
			}
			text, err := strconv.Unquote(lit.Value)
			if _, is := Of(disk.Code(text)); err == nil && is && allowed[name+": "+text] == "" {
				t.Errorf("%s: %q is a code; use its constant", set.Position(lit.Pos()), text)
			}
			return true
		})
	})
}

// weight orders the severities.
var weight = map[disk.Severity]int{disk.Note: 1, disk.Warning: 2, disk.Refusal: 3}

// TestSeverities compares the register with what the program does where a code
// is used by its constant: the heaviest severity of all uses.
func TestSeverities(t *testing.T) {
	codes := constants(t)
	makers := map[string]disk.Severity{"Notef": disk.Note, "Warningf": disk.Warning, "Refusalf": disk.Refusal, "refuse": disk.Refusal}
	heaviest := map[disk.Code]disk.Severity{}
	asked := map[disk.Code]bool{}
	eachProgramFile(t, func(path string, _ *token.FileSet, file *ast.File) {
		if strings.Contains(path, "disk/register/") {
			return
		}
		ast.Inspect(file, func(n ast.Node) bool {
			call, ok := n.(*ast.CallExpr)
			if !ok || len(call.Args) == 0 {
				return true
			}
			name := nameOf(call.Fun)
			if inner, ok := call.Args[0].(*ast.CallExpr); ok && name == "ask" && len(inner.Args) > 0 {
				asked[codes[nameOf(inner.Args[0])]] = true
			}
			code, is := codes[nameOf(call.Args[0])]
			if s := makers[name]; is && s != "" && weight[s] > weight[heaviest[code]] {
				heaviest[code] = s
			}
			return true
		})
	})
	if len(heaviest) < 100 || len(asked) < 5 {
		t.Fatalf("only %d codes with a severity were found, %d that are asked", len(heaviest), len(asked))
	}
	for code, s := range heaviest {
		e, _ := Of(code)
		switch {
		case weight[e.Severity] < weight[s]:
			t.Errorf("%s is a %s in the register, and a %s in the program", code, e.Severity, s)
		case e.Severity != s && !e.Acceptable:
			t.Errorf("%s is a %s in the register, and never more than a %s in the program", code, e.Severity, s)
		case asked[code] && !e.Acceptable:
			t.Errorf("%s is asked, and not acceptable in the register", code)
		}
	}
}

// nameOf returns the last name of an expression: X of disk.X or of p.X.
func nameOf(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.SelectorExpr:
		return e.Sel.Name
	case *ast.Ident:
		return e.Name
	}
	return ""
}
