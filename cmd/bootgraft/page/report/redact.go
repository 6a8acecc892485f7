package report

import (
	"cmp"
	"fmt"
	"maps"
	"path"
	"regexp"
	"slices"
	"strings"
	"sync"
)

// Names are the words of one disk, and of whoever works with it, that a page for
// strangers must not hold. Every name gets a stand-in, the same wherever it occurs.
type Names struct {
	stands map[string]string
	kinds  map[string]int // how many names of each kind
	order  []string       // longest first; nil: not sorted yet
}

// NewNames returns an empty list of names.
func NewNames() *Names { return &Names{stands: map[string]string{}, kinds: map[string]int{}} }

// Kinds of names.
const (
	Serial = "serial"
	Label  = "label"
	File   = "file"
	Folder = "folder"
	Path   = "path" // of the computer at which the work is done
	String = "text" // found in sectors that nobody knows
)

// Add takes a name. An empty one is none.
func (n *Names) Add(kind, name string) {
	if strings.TrimSpace(name) == "" || n.stands[name] != "" {
		return
	}
	n.kinds[kind]++
	n.stands[name] = fmt.Sprintf("[%s %d%s]", kind, n.kinds[kind], suffix(kind, name))
	n.order = nil
}

// Give takes a name with a stand-in of its own.
func (n *Names) Give(name, standIn string) {
	if name != "" {
		n.stands[name] = standIn
		n.order = nil
	}
}

// Numbered gives a name a stand-in of its own, with a number if another name has it
// already, and returns it.
func (n *Names) Numbered(name, standIn string) string {
	if have := n.stands[name]; have != "" {
		return have
	}
	n.kinds[Path]++
	for i, try := 1, standIn; ; i++ {
		if i > 1 {
			try = fmt.Sprintf("%s-%d", standIn, i)
		}
		if !slices.Contains(slices.Collect(maps.Values(n.stands)), try) {
			n.Give(name, try)
			return try
		}
	}
}

// suffix keeps what kind of file it is: nothing of its name.
func suffix(kind, name string) string {
	if e := strings.ToLower(path.Ext(name)); kind == File && knownSuffix().MatchString(e) {
		return e
	}
	return ""
}

// once is an expression that is compiled when it is asked for: most runs print no page.
func once(expr string) func() *regexp.Regexp {
	return sync.OnceValue(func() *regexp.Regexp { return regexp.MustCompile(expr) })
}

// knownSuffix is an ending that says what is in a file: short, and letters alone.
var knownSuffix = once(`^\.[a-z0-9]{1,4}$`)

// AddFile takes the path of a file on a disk, its folders and its own name.
func (n *Names) AddFile(p string) {
	n.Add(File, "/"+p)
	n.stands[p] = n.stands["/"+p]
	base := path.Base(p)
	if len(base) >= shortName && n.stands[base] == "" {
		n.stands[base] = n.stands["/"+p]
	}
	for dir := path.Dir(p); dir != "." && dir != "/"; dir = path.Dir(dir) {
		n.Add(Folder, dir)
		if b := path.Base(dir); len(b) >= shortName {
			n.Add(Folder, b)
		}
	}
	n.order = nil
}

// shortName is the length from which on a name is replaced wherever it occurs: a
// shorter one may be a word of a sentence, and is replaced where it stands in quotes
// or in a path. By hand, no source.
const shortName = 4

// Kinds lists the kinds of names that are replaced, for the page to say so.
func (n *Names) Kinds() (out []string) {
	for k, count := range n.kinds {
		out = append(out, fmt.Sprintf("%s (%d)", k, count))
	}
	slices.Sort(out)
	return out
}

// Hide replaces every name in a text, and whatever stands in quotes or looks like a
// path without being known: what is not known is hidden, not shown.
func (n *Names) Hide(s string) string {
	if n.order == nil {
		n.order = slices.SortedFunc(maps.Keys(n.stands), func(a, b string) int {
			return cmp.Or(len(b)-len(a), strings.Compare(a, b))
		})
	}
	for _, name := range n.order {
		if len(name) >= shortName || strings.HasPrefix(name, "/") {
			s = strings.ReplaceAll(s, name, n.stands[name])
		}
	}
	s = inVolume().ReplaceAllStringFunc(s, func(q string) string {
		i := strings.Index(q, ": ") + 2
		if stand := n.stands[q[i:]]; stand != "" {
			return q[:i] + stand
		}
		return q
	})
	s = quoted().ReplaceAllStringFunc(s, func(q string) string {
		if stand := n.stands[strings.Trim(q, `"`)]; stand != "" {
			return stand
		}
		if standsIn().MatchString(strings.Trim(q, `"`)) {
			return strings.Trim(q, `"`)
		}
		return "[name]"
	})
	return anyPath().ReplaceAllString(s, "${1}[path]")
}

var (
	inVolume = once(`volume [0-9]+: [^,;:]+`) // a file as links name it
	quoted   = once(`"[^"]*"`)
	standsIn = once(`^\[[a-z]+( [0-9]+(\.[a-z0-9]+)?)?\]$`)
	anyPath  = once(`(^|[\s(])/[^\s,;:)]+`)
)

// Redacted returns the page without the names of a disk, and says which kinds were
// replaced.
func (r *Report) Redacted(n *Names) *Report {
	out := r.mapped(n.Hide)
	for i, p := range r.Parts {
		if p.Private {
			out.Parts[i].Blocks = []Block{Text("Not shown: it is bytes of the disk, or words of its owner. " +
				"--redact=false shows it.")}
		}
	}
	out.Hidden = append([]string{}, n.Kinds()...)
	return out
}
