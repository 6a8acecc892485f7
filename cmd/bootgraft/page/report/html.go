package report

import (
	"bytes"
	"html/template"
	"strings"

	"bootgraft/cmd/bootgraft/words"
)

// HTML writes the page as one file that needs no other: no script, nothing from
// outside, and a policy that forbids both. It prints on A4 and Letter.
func (r *Report) HTML() ([]byte, error) {
	var b bytes.Buffer
	err := pageTemplate.Execute(&b, struct {
		*Report
		Foot         string
		ForumHeading string
	}{r, r.foot(), forumHeading})
	return b.Bytes(), err
}

// kind tells the template which block it is.
func kind(b Block) string {
	switch b.(type) {
	case Text:
		return "text"
	case List:
		return "list"
	case Typed:
		return "typed"
	case Drawing:
		return "drawing"
	case Wave:
		return "wave"
	}
	return "table"
}

// svg returns the drawing, whose texts are made harmless where it is drawn.
func svg(d Drawing) template.HTML {
	return template.HTML(d.Picture.SVG(d.Title)) //nolint:gosec // escaped in package drawing
}

// wave returns the shape of a recording, which holds no text of a disk.
func wave(w Wave) template.HTML {
	return template.HTML(w.Envelope.SVG()) //nolint:gosec // numbers alone
}

func right(t Table, column int) bool { return column < len(t.Right) && t.Right[column] }

func forumText(facts []Fact) string {
	var b strings.Builder
	plainFacts(&b, facts)
	return strings.TrimRight(b.String(), "\n")
}

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{
	"kind": kind, "svg": svg, "wave": wave, "right": right, "forum": forumText, "show": words.Printable, "lines": visibleLines,
}).Parse(pageHTML))

// visibleLines shows each line of a text on its own, without what would steer a reader.
func visibleLines(s Typed) string {
	var b strings.Builder
	for line := range strings.Lines(string(s)) {
		b.WriteString(words.Printable(strings.TrimRight(line, "\n")) + "\n")
	}
	return b.String()
}

const pageHTML = `<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{show .Title}}</title>
<style>
:root{--ink:#16323a;--soft:#43575d;--paper:#fffdf6;--rule:#8aa0a3;--tint:#efe9d8;--warn:#8f1d13}
@media(prefers-color-scheme:dark){:root{--ink:#f2ead8;--soft:#c3cfd0;--paper:#142023;--rule:#6d8185;--tint:#22343a;--warn:#ffab9a}}
*{box-sizing:border-box}
body{margin:0 auto;max-width:74rem;padding:1.2rem;background:var(--paper);color:var(--ink);font:16px/1.5 "DejaVu Sans",Verdana,sans-serif;overflow-wrap:anywhere}
h1{font-size:1.5rem;line-height:1.25;margin:.2rem 0 .8rem}
h2{font-size:1.15rem;margin:1.8rem 0 .6rem;border-bottom:2px solid var(--rule);padding-bottom:.2rem}
.verdict{border-left:.5rem solid var(--ink);background:var(--tint);padding:.7rem 1rem;margin:0 0 1rem}
.verdict p{margin:.2rem 0}.verdict.not{border-left:.5rem double var(--warn)}
.state{font-weight:bold}
pre{background:var(--tint);padding:.6rem .8rem;white-space:pre;overflow-x:auto;font:14px/1.45 "DejaVu Sans Mono",Consolas,monospace;border-left:.2rem solid var(--rule);margin:.6rem 0}
dl{display:grid;grid-template-columns:max-content 1fr;gap:.2rem 1rem;margin:.6rem 0}
dt{color:var(--soft)}dd{margin:0;font-weight:bold}
.wide{overflow-x:auto}
table{border-collapse:collapse;width:100%;font-size:.92rem;overflow-wrap:normal}
th,td{overflow-wrap:break-word;text-align:left;padding:.25rem .6rem .25rem 0;border-bottom:1px solid var(--rule);vertical-align:top}
th{color:var(--soft)}th[scope=row]{font-weight:normal;white-space:nowrap;padding-right:1.2rem;width:1%}.r{white-space:nowrap;text-align:right;font-variant-numeric:tabular-nums}
figure{margin:0}svg{width:100%;height:auto;min-width:44rem}
footer{margin-top:2rem;color:var(--soft);font-size:.9rem}
:focus-visible{outline:3px solid var(--warn)}
@media(max-width:40rem){dl{grid-template-columns:1fr;gap:0}dd{margin-bottom:.4rem}body{padding:.7rem}}
@media print{:root{--ink:#000;--soft:#222;--paper:#fff;--rule:#666;--tint:#fff;--warn:#000}body{font-size:10.5pt;padding:0;max-width:none}
pre{border:1px solid #666;white-space:pre-wrap}svg{min-width:0}.wide{overflow:visible}h2{break-after:avoid}tr,dl,figure,pre{break-inside:avoid}@page{margin:14mm}}
</style>
</head>
<body>
<main>
<h1>{{show .Title}}</h1>
<div class="verdict{{if not .Good}} not{{end}}"><p><bdi>{{show .Verdict}}</bdi></p>{{with .State}}<p class="state">{{show .}}</p>{{end}}</div>
{{with .Next}}<p>Next:</p><pre tabindex="0">{{range .}}{{show .}}
{{end}}</pre>{{end}}
{{with .Aloud}}<dl>{{range .}}<dt>{{.Name}}</dt><dd><bdi>{{show .Value}}</bdi></dd>{{end}}</dl>{{end}}
{{range .Parts}}<section><h2>{{show .Heading}}</h2>
{{range .Blocks}}{{$k := kind .}}{{if eq $k "text"}}<p><bdi>{{show (print .)}}</bdi></p>
{{else if eq $k "list"}}<ul>{{range .}}<li><bdi>{{show .}}</bdi></li>
{{end}}</ul>
{{else if eq $k "typed"}}<pre tabindex="0">{{lines .}}</pre>
{{else if eq $k "wave"}}<figure class="wide" tabindex="0">{{wave .}}</figure>
{{else if eq $k "drawing"}}<figure class="wide" tabindex="0">{{svg .}}</figure>
{{else}}{{$t := .}}<div class="wide" tabindex="0"><table>{{if and .Head (not .Narrow)}}<thead><tr>{{range $i, $h := .Head}}<th scope="col"{{if right $t $i}} class="r"{{end}}>{{show $h}}</th>{{end}}</tr></thead>{{end}}
<tbody>{{range .Rows}}<tr>{{range $i, $c := .}}{{if and $t.Narrow (not $i)}}<th scope="row"><bdi>{{show $c}}</bdi></th>{{else}}<td{{if right $t $i}} class="r"{{end}}><bdi>{{show $c}}</bdi></td>{{end}}{{end}}</tr>
{{end}}</tbody></table></div>
{{end}}{{end}}</section>
{{end}}
{{with .Forum}}<section><h2>{{$.ForumHeading}}</h2><pre tabindex="0">{{forum .}}</pre></section>{{end}}
</main>
<footer>{{show .Foot}}</footer>
</body>
</html>
`
