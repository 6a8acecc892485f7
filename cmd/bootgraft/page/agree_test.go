package page

import (
	"bytes"
	"go/ast"
	"go/parser"
	"go/token"
	"net/url"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"bootgraft/cmd/bootgraft/page/drawing"
	"bootgraft/cmd/bootgraft/talk"
	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image"
	"bootgraft/image/ata"
	"bootgraft/image/capture"
	"bootgraft/image/disk"
	"bootgraft/image/nbd"
	"bootgraft/layout"
	"bootgraft/layout/plan"
	"bootgraft/layout/rule/compare"
	"bootgraft/layout/scan/diff"
	"bootgraft/layout/scan/owners"
)

// shown is what an answer says on a terminal and on a page to print, a blank between words.
func shown(screen func(u *talk.UI), a Answer) map[string]string {
	var out bytes.Buffer
	screen(&talk.UI{Out: &out})
	page := OutcomeReport(Outcome{Answer: a, Title: "x"}, nil, nil).Plain()
	return map[string]string{"terminal": strings.Join(strings.Fields(out.String()), " "),
		"page": strings.Join(strings.Fields(string(page)), " ")}
}

// TestWhyTheRecordNamesNoSum: terminal and page name the same reason.
func TestWhyTheRecordNamesNoSum(t *testing.T) {
	for want, c := range map[string]*capture.Check{
		"two captures were merged into it":        {Merged: true},
		"the last run left that out":              {Complete: true},
		"the capture was not brought to its end.": {},
	} {
		if state := ArchiveAnswer(c).State; (state == "") != (c.Merged || c.Complete) {
			t.Errorf("%q, and the state is %q", want, state)
		}
		for form, text := range shown(func(u *talk.UI) { Archive(u, "old.img", c) }, ArchiveAnswer(c)) {
			if !strings.Contains(text, "The record names none for the whole file: "+want) {
				t.Errorf("%s: %q is not said:\n%s", form, want, text)
			}
		}
	}
}

// TestNewVolumesAreNoNewFormat: where volumes alone were made new, neither terminal nor page
// nor the first screen says that the device made a layout of its own.
func TestNewVolumesAreNoNewFormat(t *testing.T) {
	r := &diff.Report{Sectors: 100, Kinds: []diff.Kind{diff.NewFormat, diff.NewVolume}, Volumes: []diff.MadeVolume{{Index: 1, Kind: "fat32"}}}
	forms := shown(func(u *talk.UI) { Changed(u, "a", "b", r, "") }, ChangedAnswer(r, "", Advice{}))
	forms["first screen"] = strings.Join(ChangedBrief(r, "", Advice{}).Verdict, " ")
	for form, text := range forms {
		if strings.Contains(text, "did not know the layout") || !strings.Contains(text, "A volume was made new") {
			t.Errorf("%s:\n%s", form, text)
		}
	}
}

// TestWhatADeviceSeesIsOnThePage: terminal, first screen and page say how much of the card its
// device sees.
func TestWhatADeviceSeesIsOnThePage(t *testing.T) {
	p := &Planned{Drive: inventedDrive(0), Plan: inventedPlan(), Target: inventedPlan().Target}
	p.Plan.Sees = 600_000
	p.Plan.Findings = []disk.Finding{disk.Notef(disk.DeviceSees, p.Plan.Sees, "the rest belongs to nobody")}
	if walls := drawing.New(p.Map, p.Plan, p.Faults).Walls; len(walls) != 1 || walls[0].First != p.Plan.Sees {
		t.Errorf("the picture shows %v", walls)
	}
	var whole, first bytes.Buffer
	Plan(&talk.UI{Out: &whole}, p.Plan, "")
	PlanBrief(p, nil).Show(&talk.UI{Out: &first})
	for form, text := range map[string]string{"terminal": whole.String(), "first screen": first.String(),
		"page": string(PlanReport(p).Plain())} {
		if !strings.Contains(text, "it sees the first 600,000 sectors of it") {
			t.Errorf("%s:\n%s", form, text)
		}
	}
}

// TestAdviceOfAComparison: terminal and page say which other original would decide most, and
// what to do for rules to be kept.
func TestAdviceOfAComparison(t *testing.T) {
	a := sevenReadings()
	a.Advised, a.For = []compare.Advice{{Size: 70_000, Left: 2}}, 60_000
	for form, text := range shown(func(u *talk.UI) { Comparison(u, a) }, ComparisonAnswer(a)) {
		for _, want := range []string{"For a card of 60,000 sectors, one more original decides most", "70,000 sectors (35.84 MB)",
			"2 numbers would still be undecided", "-o RULES keeps them for a plan"} {
			if !strings.Contains(text, want) {
				t.Errorf("%s: %q is not said:\n%s", form, want, text)
			}
		}
	}
	r := &diff.Report{Sectors: 100, Original: true}
	for form, text := range shown(func(u *talk.UI) { Changed(u, "a", "b", r, "") }, ChangedAnswer(r, "", Advice{})) {
		if !strings.Contains(text, "Compare it with an original of another size") {
			t.Errorf("%s:\n%s", form, text)
		}
	}
}

// TestEverySentenceOnce: what is said on a terminal and on a page to print is written down
// once. What is shorter than a sentence may stand twice.
func TestEverySentenceOnce(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	at, set, said := map[string]token.Pos{}, token.NewFileSet(), 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(set, name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(file, func(n ast.Node) bool {
			e, ok := n.(ast.Expr)
			text, whole := constantText(e)
			if !ok || !whole {
				return true
			}
			text = strings.ToLower(strings.Trim(text, "\n .:"))
			if len(text) < 28 || strings.Count(text, " ") < 3 {
				return false
			}
			if before, twice := at[text]; twice {
				t.Errorf("%s says what %s says: %q", set.Position(n.Pos()), set.Position(before), text)
			}
			at[text] = n.Pos()
			said++
			return false
		})
	}
	if said < 300 {
		t.Errorf("only %d sentences were found", said)
	}
}

// constantText is the text of an expression that is made of constant pieces.
func constantText(e ast.Expr) (string, bool) {
	switch v := e.(type) {
	case *ast.BasicLit:
		text, err := strconv.Unquote(v.Value)
		return text, err == nil && v.Kind == token.STRING
	case *ast.BinaryExpr:
		a, ok := constantText(v.X)
		b, too := constantText(v.Y)
		return a + b, ok && too && v.Op == token.ADD
	}
	return "", false
}

// TestProseFolds: on a narrow terminal prose flows: no line of it is wider, and none was
// broken by hand for a wider one.
func TestProseFolds(t *testing.T) {
	const cells = 50
	words.SetWidth(cells)
	defer words.SetWidth(80)
	shows := map[string]func(u *talk.UI){
		"after survey": func(u *talk.UI) { AfterSurvey(u, "old.img", "") },
		"after verify": func(u *talk.UI) { AfterVerify(u, "card.plan", "card.img", "", false, true) },
	}
	for name, show := range pages {
		if name != "damaged" { // a file, which no terminal shows
			shows[name] = show
		}
	}
	prose := regexp.MustCompile(`^[A-Z][a-z]+,? [a-z]+ [a-z]+`)
	for name, show := range shows {
		var out bytes.Buffer
		show(&talk.UI{Out: &out})
		lines := strings.Split(out.String(), "\n")
		for i, line := range lines[:len(lines)-1] {
			next, _, _ := strings.Cut(lines[i+1], " ")
			switch {
			case !prose.MatchString(line) || strings.Contains(line, "  ") || strings.HasPrefix(line, "SHA-256"):
			case words.Cells(line) > cells:
				t.Errorf("%s: %d cells: %q", name, words.Cells(line), line)
			case next != "" && next == strings.ToLower(next) && words.Cells(line)+1+words.Cells(next) <= cells &&
				!strings.HasSuffix(line, "."):
				t.Errorf("%s: broken by hand: %q, %q", name, line, lines[i+1])
			}
		}
	}
}

// TestOneIsNotMany: of one sector it is said that it is, and not that it are.
func TestOneIsNotMany(t *testing.T) {
	one := disk.Spans{{Start: 7, Count: 1}}
	address := &url.URL{Scheme: "nbd+unix", Path: "/x"}
	c := inventedWrite()
	c.Plan = &plan.Plan{Target: plan.Size{Sectors: 9, SectorSize: 512}, Pieces: []layout.Piece{
		{Span: disk.Span{Count: 8}, Op: layout.Copy}, {Span: disk.Span{Start: 8, Count: 1}, Op: layout.Leave}},
		Dropped: []plan.Dropped{{Span: disk.Span{Count: 1}}}}
	d := ata.Drive{Identify: &ata.Identify{Sectors: 9, SectorSize: 512}, Native: 10}
	var out bytes.Buffer
	u := &talk.UI{Out: &out}
	Serving(u, Shown{Sectors: 9, SectorSize: 512, Missing: 1}, address)
	Served(u, nbd.Report{Reads: 1, Left: one, Unknown: one, Failed: one}, &owners.Owners{})
	Rehearsed(u, c)
	Said(u, d, image.Identity{})
	sentence, _, _ := (&Planned{Drive: inventedDrive(0), Plan: c.Plan}).verdict()
	u.Answerf("%s\n%s\n", sentence, ZerosText(1))
	text := strings.Join(strings.Fields(out.String()), " ")
	for _, wrong := range regexp.MustCompile(`\b1 sectors?\b[^.;]*?\b(are|were)\b`).FindAllString(text, -1) {
		t.Errorf("%q", wrong)
	}
	if n := len(regexp.MustCompile(`\b1 sector\b`).FindAllString(text, -1)); n < 8 {
		t.Errorf("one sector is named %d times:\n%s", n, text)
	}
}
