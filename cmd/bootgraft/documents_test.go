package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/document"
)

// documentTypes are the types that answer, by their kind. The plan is the file
// that layout/plan writes; its keys are those of a plan on paper.
var documentTypes = map[document.Kind]any{
	document.KindError: document.Failed{}, document.KindVersion: document.Version{}, document.KindDemo: document.Demo{},
	document.KindSurvey: document.Survey{}, document.KindDisks: document.Disks{}, document.KindCapture: document.Capture{},
	document.KindRefused: document.Refused{}, document.KindWrite: document.Written{}, document.KindRehearsal: document.Rehearsal{},
	document.KindUndo: document.Written{}, document.KindVerify: document.Verify{}, document.KindArchive: document.Archive{},
	document.KindCard: document.Card{}, document.KindCardTest: document.CardTest{}, document.KindFiles: document.Files{},
	document.KindCompare: document.Compare{}, document.KindChanged: document.Changed{}, document.KindKitMake: document.KitMake{},
	document.KindKitShow: document.KitShow{}, document.KindKitAsk: document.KitAsk{}, document.KindServe: document.Serve{}, document.KindStarts: document.Starts{}, document.KindOffer: document.Offer{}, document.KindTopic: document.Topic{}, document.KindNote: document.Note{},
	document.KindArchiveMade: document.ArchiveMade{}, document.KindArchiveCheck: document.ArchiveCheck{}, document.KindFindings: document.Findings{},
	document.KindSound: document.Sound{},
}

const keysFile = "../../testdata/documents/keys.txt"

var update = flag.Bool("update-keys", false, "write "+keysFile+" anew")

// fill gives every field of a value something that is not left out.
func fill(v reflect.Value, depth int) {
	if depth > 12 {
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem(), depth+1)
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Field(i).CanSet() {
				fill(v.Field(i), depth+1)
			} else if f := v.Type().Field(i); f.Anonymous && f.Type.Kind() == reflect.Struct {
				fill(reflect.NewAt(f.Type, v.Field(i).Addr().UnsafePointer()).Elem(), depth+1)
			} else if f.Anonymous && f.Type.Kind() == reflect.Pointer {
				p := reflect.NewAt(f.Type, v.Field(i).Addr().UnsafePointer()).Elem()
				fill(p, depth+1)
			}
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fill(v.Index(0), depth+1)
	case reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i), depth+1)
		}
	case reflect.Map:
		key, value := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
		fill(key, depth+1)
		fill(value, depth+1)
		v.Set(reflect.MakeMap(v.Type()))
		v.SetMapIndex(key, value)
	case reflect.String:
		v.SetString("*")
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		v.SetInt(1)
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		v.SetUint(1)
	case reflect.Float32, reflect.Float64:
		v.SetFloat(1)
	}
}

// paths lists where values lie in an object, each with its JSON type.
func paths(at string, v any) (out []string) {
	switch v := v.(type) {
	case map[string]any:
		for key, x := range v {
			if at != "" {
				key = at + "." + key
			}
			out = append(out, paths(key, x)...)
		}
	case []any:
		if len(v) == 0 {
			return []string{at + "[]"}
		}
		for _, x := range v {
			out = append(out, paths(at+"[]", x)...)
		}
	case float64:
		out = []string{at + " number"}
	default:
		out = []string{fmt.Sprintf("%s %T", at, v)}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// besidePlan adds what not every plan has, and what the answer says beside it.
func besidePlan(object map[string]any) error {
	v := reflect.New(reflect.TypeOf(document.StartsAnswer{})).Elem()
	fill(v, 0)
	text, err := json.Marshal(v.Interface())
	if err != nil {
		return err
	}
	var starts any
	err = json.Unmarshal(text, &starts)
	object["starts"], object["sees"] = starts, 1.0
	return err
}

// TestDocumentKeys compares every key of every object with the list that was
// promised. A new key is added to the list; a key that goes, or has another
// type, needs a new schema of its kind.
func TestDocumentKeys(t *testing.T) {
	var have strings.Builder
	kinds := []document.Kind{document.KindPlan}
	for kind := range documentTypes {
		kinds = append(kinds, kind)
	}
	slices.Sort(kinds)
	for _, kind := range kinds {
		fmt.Fprintf(&have, "%s %d\n", kind, document.Schemas[kind])
		text, err := os.ReadFile("../../testdata/plan/small.json")
		if kind != document.KindPlan {
			v := reflect.New(reflect.TypeOf(documentTypes[kind])).Elem()
			fill(v, 0)
			text, err = json.Marshal(v.Interface())
		}
		var object map[string]any
		if err == nil {
			err = json.Unmarshal(text, &object)
		}
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		if kind == document.KindPlan {
			err = besidePlan(object)
		}
		if err != nil {
			t.Fatal(err)
		}
		object["kind"], object["schema"] = "*", 1.0
		object["error"] = map[string]any{"code": "*", "text": "*"}
		for _, p := range paths("", object) {
			fmt.Fprintf(&have, "  %s\n", p)
		}
	}
	if *update {
		if err := os.WriteFile(keysFile, []byte(have.String()), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(keysFile)
	if err != nil {
		t.Fatal(err)
	}
	haveLines, wantLines := strings.Split(have.String(), "\n"), strings.Split(string(want), "\n")
	for i := range max(len(haveLines), len(wantLines)) {
		if i >= len(haveLines) || i >= len(wantLines) || haveLines[i] != wantLines[i] {
			t.Fatalf("line %d of %s is not what the program writes: %q, %q; go test -run TestDocumentKeys -update-keys writes it anew",
				i+1, keysFile, slices.Concat(wantLines[min(i, len(wantLines)):], []string{""})[0],
				slices.Concat(haveLines[min(i, len(haveLines)):], []string{""})[0])
		}
	}
}

// TestEveryKindIsListed: a constant for a kind has a form and a type, and a row in
// DEVELOPERS.md with that form.
func TestEveryKindIsListed(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "document/document.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	page, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	rows := map[string]string{}
	for _, m := range regexp.MustCompile("(?m)^\\| `([a-z-]+)` \\| ([0-9]+) \\| ").FindAllStringSubmatch(string(page), -1) {
		rows[m[1]] = m[2]
	}
	found := 0
	ast.Inspect(file, func(n ast.Node) bool {
		v, ok := n.(*ast.ValueSpec)
		if !ok || !strings.HasPrefix(v.Names[0].Name, "Kind") {
			return true
		}
		text, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
		if err != nil {
			t.Fatal(err)
		}
		found++
		kind := document.Kind(text)
		if documentTypes[kind] == nil && kind != document.KindPlan {
			t.Errorf("the kind %q has no type in documentTypes", kind)
		}
		if form := document.Schemas[kind]; form == 0 || rows[text] != strconv.Itoa(form) {
			t.Errorf("the kind %q has the form %d, and in DEVELOPERS.md %q", kind, form, rows[text])
		}
		delete(rows, text)
		return true
	})
	if found < 10 || len(rows) > 0 || found != len(document.Schemas) {
		t.Errorf("%d kinds, %d forms; DEVELOPERS.md lists besides: %v", found, len(document.Schemas), rows)
	}
}
