package report

import (
	"fmt"
	"strings"
	"testing"

	"bootgraft/image/disk"
)

// TestTableOnATerminal: columns stand below each other, what has no width folds together
// behind them, lines below a row are for a terminal alone, and what has no room is counted.
func TestTableOnATerminal(t *testing.T) {
	table := NewTable("  first>6 | (role)<5 | (what) | why", []string{"1", "gap", "a name", "a reason"}, []string{"20,000", "tail", "", "another"})
	table.Below = [][]string{{"byte 7"}}
	want := "   first        why\n       1  gap   a name: a reason\n                byte 7\n  20,000  tail  another\n"
	if got := table.Screen(); got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got := table.head(); strings.Join(got, "|") != "first|role|what|why" || !table.Columns[0].Right || table.Columns[1].Right {
		t.Errorf("columns %+v", table.Columns)
	}
	list := NewTable("  (what)", []string{strings.Repeat("word ", 20)})
	if want := "  " + strings.TrimSpace(strings.Repeat("word ", 15)) + "\n  word word word word word\n"; list.Screen() != want {
		t.Errorf("%q, want %q", list.Screen(), want)
	}
}

// TestTableCountsTheRest: a terminal shows fewer rows than a page to print, both say how
// many more there are, of however many, and neither leaves out one row alone.
func TestTableCountsTheRest(t *testing.T) {
	for _, n := range []int{0, 1, 40, 41, 42, 100, 101, 102, 1_000_000} {
		table := TableOf("n>9 | what", n, func(i int) []string { return []string{fmt.Sprint(i), "x"} })
		table.Rest = " things; all of them with --json"
		for form, x := range map[string]struct{ room, lines, head int }{
			table.Screen(): {40, strings.Count(table.Screen(), "\n"), 1}, fmt.Sprint(table.Printed()): {100, len(table.Printed()), 0},
		} {
			want, left := n, n-x.room
			if left > 1 {
				want = x.room + 1
			}
			if x.lines != want+x.head {
				t.Errorf("%d things: %d lines, want %d:\n%s", n, x.lines, want+x.head, form)
			}
			say := fmt.Sprintf("and %s more things; all of them with --json", disk.Grouped(left))
			if strings.Contains(form, say) != (left > 1) {
				t.Errorf("%d things: %q:\n%s", n, say, form)
			}
		}
	}
}
