package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"

	"bootgraft/image/imagetest/need"
)

// judge is what a browser says of a page.
type judge struct {
	Errors []string
	Loaded int            // resources that were asked for
	Wide   map[string]int // pixels by which it is wider than the window
	Title  string
	Axe    []struct {
		ID, Impact string
		Nodes      []struct{ HTML string }
	}
}

// inBrowser opens a page in Chromium, at three widths and under axe-core, which finds
// what keeps people from reading it.
func (y *typed) inBrowser(chromium, axe, name string) (j judge) {
	y.t.Helper()
	text, err := os.ReadFile(y.path(name))
	if err != nil {
		y.t.Fatal(err)
	}
	quoted, err := json.Marshal(string(text))
	if err != nil {
		y.t.Fatal(err)
	}
	// The frames hold the page as it is, with its policy; axe-core needs a copy without
	// the policy, which forbids scripts.
	frame := strings.ReplaceAll(string(quoted), "</", `<\/`)
	script := `<script>` + axe + `</script><script>
const page=` + frame + `, out={Errors:[],Loaded:0,Wide:{},Axe:[],Title:document.title};
addEventListener('error',e=>out.Errors.push(String(e.message)));
addEventListener('load',async()=>{
 for(const w of [360,800,1600]){const f=document.createElement('iframe');f.style.cssText='border:0;height:900px;width:'+w+'px';f.srcdoc=page;
  await new Promise(r=>{f.onload=r;document.body.append(f)});const d=f.contentDocument;
  out.Wide[w]=d.documentElement.scrollWidth-w;out.Loaded+=f.contentWindow.performance.getEntriesByType('resource').length;f.remove()}
 out.Axe=(await axe.run(document)).violations.map(v=>({ID:v.id,Impact:v.impact,Nodes:v.nodes.map(n=>({HTML:n.html}))}));
 document.body.textContent='';const p=document.createElement('pre');p.id='judge';p.textContent=JSON.stringify(out);document.body.append(p)});
</script></body>`
	copied := regexp.MustCompile(`<meta http-equiv="Content-Security-Policy"[^>]*>`).ReplaceAllString(string(text), "")
	if copied == string(text) {
		y.t.Fatal("the page has no policy against scripts")
	}
	judged := y.path("judged.html")
	if err := os.WriteFile(judged, []byte(strings.Replace(copied, "</body>", script, 1)), 0o644); err != nil {
		y.t.Fatal(err)
	}
	cmd := exec.Command(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--virtual-time-budget=60000", "--user-data-dir="+y.path("browser"),
		"--dump-dom", "file://"+judged)
	cmd.WaitDelay = 10 * time.Second
	dom, err := cmd.Output()
	if err != nil {
		y.t.Fatalf("chromium: %v", err)
	}
	m := regexp.MustCompile(`(?s)<pre id="judge">(.*?)</pre>`).FindStringSubmatch(string(dom))
	if m == nil {
		y.t.Fatalf("%s: the browser came to no end:\n%.2000s", name, dom)
	}
	plain := strings.NewReplacer("&lt;", "<", "&gt;", ">", "&amp;", "&").Replace(m[1])
	if err := json.Unmarshal([]byte(plain), &j); err != nil {
		y.t.Fatal(err)
	}
	return j
}

// TestPagesInABrowser: a page asks for nothing, runs nothing, fits windows of 360 to
// 1,600 pixels, and has nothing that axe-core (the rules of WCAG 2.2) calls serious.
func TestPagesInABrowser(t *testing.T) {
	chromium := need.Tool(t, "chromium")
	path := os.Getenv("BOOTGRAFT_AXE")
	axe, err := os.ReadFile(path)
	if err != nil {
		need.Absent(t, "axe-core, whose axe.min.js BOOTGRAFT_AXE names")
	}
	y := newTyped(t)
	y.pages("--redact=false")
	for _, name := range []string{"plan", "too-small", "different", "originals", "changed"} { // each has parts that no other has
		j := y.inBrowser(chromium, string(axe), name+".html")
		if len(j.Errors) > 0 || j.Loaded > 0 || strings.Contains(j.Title, "HURT") {
			t.Errorf("%s: errors %q, %d resources, title %q", name, j.Errors, j.Loaded, j.Title)
		}
		for w, px := range j.Wide {
			if px > 0 {
				t.Errorf("%s: %d pixels too wide for %s", name, px, w)
			}
		}
		if grave := j.grave(); grave != "" {
			t.Errorf("%s: %s", name, grave)
		}
	}
	// The judge itself: a page that says no language, loads a picture and is too wide.
	b, err := os.ReadFile(y.path("kit.html"))
	if err != nil {
		t.Fatal(err)
	}
	bad := strings.NewReplacer(`lang="en"`, "", "<main>", `<main><div style="width:900px">x</div><img src="data:image/gif;base64,R0lGOD">`).Replace(string(b))
	if err := os.WriteFile(y.path("bad.html"), []byte(bad), 0o644); err != nil {
		t.Fatal(err)
	}
	if j := y.inBrowser(chromium, string(axe), "bad.html"); j.grave() == "" || j.Wide["800"] <= 0 {
		t.Errorf("a bad page is found good: %+v", j)
	}
}

// grave lists what axe-core calls serious or worse.
func (j *judge) grave() string {
	var out strings.Builder
	for _, v := range j.Axe {
		if v.Impact == "serious" || v.Impact == "critical" {
			fmt.Fprintf(&out, "%s: %s: %+v; ", v.Impact, v.ID, v.Nodes)
		}
	}
	return out.String()
}

// TestPagePrints: the page of a plan is a handful of sheets.
func TestPagePrints(t *testing.T) {
	chromium := need.Tool(t, "chromium")
	y := newTyped(t)
	y.hostileDrive("old.img")
	y.run(0, "plan", "old.img", "--size", "20000s", "-o", "x.plan", "--report", "plan.html")
	cmd := exec.Command(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", "--user-data-dir="+y.path("browser"),
		"--print-to-pdf="+y.path("plan.pdf"), "file://"+y.path("plan.html"))
	cmd.WaitDelay = 10 * time.Second
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	pdf, err := os.ReadFile(y.path("plan.pdf"))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(regexp.MustCompile(`/Type\s*/Page\b[^s]`).FindAll(pdf, -1)); n < 2 || n > 6 {
		t.Errorf("the page prints on %d sheets", n)
	}
}
