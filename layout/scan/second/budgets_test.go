package second

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"bootgraft/image/imagetest"
	"bootgraft/layout/volume/fat"
	"bootgraft/layout/volume/fat/format"
)

// A directory so large that looking up every name in it would take minutes:
// the names are compared, and the chains as far as the budget goes.
func TestLargeDirectory(t *testing.T) {
	d := imagetest.New(80_000, 512)
	v, err := format.New(d, format.Options{Sectors: 80_000, Kind: fat.FAT32, SectorsPerCluster: 1})
	if err != nil {
		t.Fatal(err)
	}
	const files = 12_000
	for i := range files {
		if err := v.Add(fmt.Sprintf("T%07d.DAT", i), bytes.NewReader([]byte{1}), 1, format.File{}); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	start := time.Now()
	o := ask(t, d)
	t.Logf("%v for %+v", time.Since(start), o)
	if o.Verdict != Agrees || o.Compared.Entries != maxEntries || o.Compared.Chains == 0 || o.Compared.Chains > maxCost/maxEntries {
		t.Errorf("%+v", o)
	}
	if !strings.Contains(o.Why, "only the first 10000 entries") || !strings.Contains(o.Why, "not compared: 9") {
		t.Errorf("it does not say what it left out: %s", o.Why)
	}
}

// Where more entries are there than are compared, the folders that our walk did not
// come to are no difference.
func TestMoreEntriesThanAreCompared(t *testing.T) {
	d := imagetest.New(80_000, 512)
	v, err := format.New(d, format.Options{Sectors: 80_000, Kind: fat.FAT32, SectorsPerCluster: 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, dir := range []string{"FIRST", "LAST"} {
		if err := v.Mkdir(dir, format.File{}); err != nil {
			t.Fatal(err)
		}
		for i := range maxEntries {
			if err := v.Add(fmt.Sprintf("%s/T%07d.DAT", dir, i), bytes.NewReader(nil), 0, format.File{}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := v.Close(); err != nil {
		t.Fatal(err)
	}
	if o := ask(t, d); o.Verdict != Agrees || o.Compared.Entries != maxEntries {
		t.Errorf("%+v", o)
	}
}

// What would take too long is left out, and said.
func TestBudgets(t *testing.T) {
	v := newSpecimen(t, small16).volume()
	folders, err := prove(v)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		budget int
		steps  int64
		want   Compared
		why    string
	}{
		{maxCost, maxSteps, Compared{9, 8, 6, 24191}, ""},
		{maxCost, 2, Compared{9, 8, 3, 2749}, "not compared: 3 files with 21442 bytes"},
		{80, maxSteps, Compared{9, 2, 2, 17345}, "not compared: 6 chains of clusters, 4 files with 6846 bytes"},
		{20, maxSteps, Compared{6, 0, 0, 0}, "not compared: 3 entries, 8 chains of clusters, 6 files with 24191 bytes"},
	} {
		var o Opinion
		x := comparison{ctx: t.Context(), v: v, o: &o, opt: Options{Contents: true}, store: &storage{src: v.Source()},
			budget: c.budget, steps: c.steps}
		if err := x.run(folders); err != nil || o.Compared != c.want || x.left(folders) != c.why {
			t.Errorf("%d slots, %d steps: %+v, %q, %v", c.budget, c.steps, o.Compared, x.left(folders), err)
		}
	}
}
