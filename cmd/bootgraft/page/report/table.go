package report

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"

	"bootgraft/cmd/bootgraft/words"
	"bootgraft/image/disk"
)

// Table is a table, made once: a page to print shows more of its rows than a terminal does,
// and both count the rest.
type Table struct {
	Columns []Column
	Rows    [][]string
	All     int        // how many rows there are, where not all of them are here
	Most    int        // rows on a page to print; 0: mostRows
	Short   int        // rows on a terminal; 0: shortRows
	Rest    string     // what is said of the rows that are not shown, behind their number
	Narrow  bool       // of names and values, without a head that must be read
	Below   [][]string // of each row, lines below it that a terminal alone shows
	indent  string     // on a terminal, before each line
}

// By hand, no source: on a page of more rows nobody finds one.
const (
	mostRows  = 100
	shortRows = 40
)

// Column is one of a table.
type Column struct {
	Name  string
	Right bool
	Cells int    // on a terminal it takes so many at least; 0: it folds, with those after it
	Plain bool   // a terminal does not show its name: what it is stands above the table
	gap   string // behind it, on a terminal; none where it folds
}

// NewTable makes a table of columns that are written as one line, as they stand on a
// terminal:
//
//	first sector>15 | sectors>15 | role<9 | what
//
// A name, the side to which it is set, and its cells. A name in brackets is for a page to
// print alone, where a table has a head. Blanks before the first one stand before each line.
func NewTable(columns string, rows ...[]string) Table {
	t := Table{Rows: rows, Rest: "; all of them with --json"}
	t.indent = columns[:len(columns)-len(strings.TrimLeft(columns, " "))]
	for i, text := range strings.Split(columns, "|") {
		c := Column{Name: strings.TrimSpace(text)}
		if at := strings.LastIndexAny(c.Name, "<>"); at >= 0 {
			c.Right = c.Name[at] == '>'
			c.Cells, _ = strconv.Atoi(c.Name[at+1:]) // no number: it folds
			c.Name = c.Name[:at]
		}
		if c.Cells > 0 {
			c.gap = " "
		}
		if i > 0 && t.Columns[i-1].Right && !c.Right {
			t.Columns[i-1].gap += " " // a number and a word that both stand there
		}
		c.Plain = c.Name == "" || c.Name[0] == '('
		c.Name = strings.Trim(c.Name, "()")
		t.Columns = append(t.Columns, c)
	}
	return t
}

// TableOf makes a table of the first of n things.
func TableOf(columns string, n int, row func(i int) []string) Table {
	t := NewTable(columns)
	t.All = n
	for i := range min(n, mostRows+1) {
		t.Rows = append(t.Rows, row(i))
	}
	return t
}

// ListOf makes a table of one column.
func ListOf(name string, list []string) Table {
	return TableOf(name, len(list), func(i int) []string { return list[i : i+1] })
}

// Named makes a table of facts, whose head nobody has to read.
func Named(facts Facts) Table {
	t := NewTable("about | it")
	t.Narrow = true
	for _, f := range facts {
		t.Add(f.Name, f.Value)
	}
	return t
}

// Add adds a row.
func (t *Table) Add(cells ...string) { t.Rows = append(t.Rows, cells) }

// first returns the rows for which there is room, and what is said of the others. A row
// that alone would be left out takes no more room than that.
func (t Table) first(most int) (rows [][]string, more string) {
	all := max(t.All, len(t.Rows))
	if all <= most || all == most+1 && len(t.Rows) == all {
		return t.Rows, ""
	}
	return t.Rows[:most], fmt.Sprintf("and %s more%s", disk.Grouped(all-most), t.Rest)
}

// Printed returns the rows of a page to print: the last one counts the others.
func (t Table) Printed() [][]string {
	rows, more := t.first(cmp.Or(t.Most, mostRows))
	if more == "" {
		return rows
	}
	last := make([]string, len(t.Columns))
	last[len(last)-1] = more
	return append(rows[:len(rows):len(rows)], last)
}

// head are the names of the columns.
func (t Table) head() (out []string) {
	for _, c := range t.Columns {
		out = append(out, c.Name)
	}
	return out
}

// Screen writes the table as a terminal shows it.
func (t Table) Screen() string {
	var b strings.Builder
	names, named := t.head(), false
	for i, c := range t.Columns {
		if c.Plain {
			names[i] = ""
		}
		named = named || !c.Plain
	}
	if named {
		prefix, last := t.split(names)
		b.WriteString(strings.TrimRight(prefix+last, " ") + "\n")
	}
	rows, more := t.first(cmp.Or(t.Short, shortRows))
	for i, row := range rows {
		b.WriteString(t.line(row))
		if i < len(t.Below) {
			for _, text := range t.Below[i] {
				below := make([]string, len(t.Columns))
				below[len(below)-1] = text
				b.WriteString(t.line(below))
			}
		}
	}
	if more != "" {
		room := len(t.indent)
		for i := 0; i < len(t.Columns) && t.Columns[i].Right; i++ {
			room += t.Columns[i].Cells + len(t.Columns[i].gap)
		}
		fmt.Fprintf(&b, "%*s... %s\n", room, "", more)
	}
	return b.String()
}

// line writes one row for a terminal.
func (t Table) line(cells []string) string {
	return strings.TrimRight(words.Fold(t.split(cells)), " \n") + "\n"
}

// split sets the columns that have a width. Those without one fold together behind them.
func (t Table) split(cells []string) (prefix, last string) {
	prefix = t.indent
	var folded []string
	for i, c := range t.Columns {
		s := cells[i]
		room := strings.Repeat(" ", max(0, c.Cells-words.Cells(s)))
		switch {
		case c.gap == "" && s != "":
			folded = append(folded, s)
		case c.gap == "":
		case c.Right:
			prefix += room + s + c.gap
		default:
			prefix += s + room + c.gap
		}
	}
	return prefix, strings.Join(folded, ": ")
}

// plain writes the table for a file: its columns as wide as what stands in them, the last
// one folds.
func (t Table) plain() string {
	fit := Table{Columns: append([]Column(nil), t.Columns...)}
	if !t.Narrow {
		fit.Add(t.head()...)
	}
	for _, row := range t.Printed() {
		line := make([]string, len(row))
		for i, s := range row {
			line[i] = words.Printable(s)
		}
		fit.Add(line...)
	}
	before, last := 0, len(fit.Columns)-1
	for i := range fit.Columns[:last] {
		c := &fit.Columns[i]
		c.Cells, c.gap = 0, "  "
		for _, row := range fit.Rows {
			c.Cells = max(c.Cells, words.Cells(row[i]))
		}
		before += c.Cells + len(c.gap)
	}
	if before > mostBefore {
		return t.records()
	}
	fit.Columns[last].gap = ""
	var b strings.Builder
	for _, row := range fit.Rows {
		b.WriteString(fit.line(row))
	}
	return b.String()
}

// mostBefore is how many cells the columns before the last one may take: the rest is
// for the last one, which folds. By hand, no source.
const mostBefore = 56

// records writes a table whose columns have no room side by side: each row as lines below
// each other.
func (t Table) records() string {
	var b strings.Builder
	for _, row := range t.Printed() {
		var facts Facts
		for i, s := range row {
			indent := "  "
			if i == 0 {
				indent = "- "
			}
			facts.Add(indent+t.Columns[i].Name, s)
		}
		b.WriteString(facts.Lines(""))
	}
	return b.String()
}
