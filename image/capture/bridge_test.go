package capture

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"bootgraft/image/bridge"
	"bootgraft/image/capture/record"
	"bootgraft/image/disk"
)

// TestTheCheckOfTheBridgeHurtsNoBootArea: the check reads single sectors outside the
// boot areas, each once, only when these were swept, and never before them on a drive
// in trouble; a sector at which it hangs costs none of them. The next run does not
// check again.
func TestTheCheckOfTheBridgeHurtsNoBootArea(t *testing.T) {
	t.Parallel()
	const sectors, half = 400_000, 200_000
	for name, c := range map[string]struct {
		bad   []disk.Span
		hangs bool
	}{"well": {}, "hangs": {hangs: true}, "ill": {bad: []disk.Span{{Start: 1000, Count: 1}}}, "ill and hangs": {bad: []disk.Span{{Start: 1000, Count: 1}}, hangs: true}} {
		d := newSim(sectors, c.bad...)
		m := newMemory()
		if c.hangs {
			d.hangs[half] = true
			left, _ := met(t, d, m, Options{CheckBridge: true, Looks: 1}, ctrlC)
			text := left.files["image.record"].now
			rec, err := record.Read(bytes.NewReader(text))
			if err != nil {
				t.Fatal(err)
			}
			boot := disk.Spans{{Count: 131_072}, disk.Between(sectors-131_072, sectors)}
			safe, lost := rec.Read().Within(boot[0]).Sectors()+rec.Read().Within(boot[1]).Sectors(), rec.Missing().Sectors()
			if lost != disk.Spans(c.bad).Sectors() || safe != boot.Sectors()-lost {
				t.Errorf("%s: %d sectors of the boot areas are safe, %d lost", name, safe, lost)
			}
			if bytes.Contains(text, []byte("Bridge check: done")) || !bytes.Contains(text, []byte(" silent 200000+1")) {
				t.Errorf("%s: the check did not hang:\n%.2000s", name, text[max(0, len(text)-2000):])
			}
			continue
		}
		var singles []disk.Sector
		var read disk.Spans
		early := false
		d.onRead = func(s disk.Span, _ bool) {
			if s.Count == 1 && (s.Start == half || s.Start == half+1) && !read.Holds(s.Start) {
				singles = append(singles, s.Start)
				early = early || !read.Holds(0) || !read.Holds(131_071) || !read.Holds(sectors-131_072) ||
					!read.Holds(sectors-1) || len(c.bad) > 0 && !read.Holds(1001)
			}
			read = read.Add(s)
		}
		r := runSim(t, d, m, Options{CheckBridge: true, Looks: 1})
		checkImage(t, d, m, r)
		if !slices.Equal(singles, []disk.Sector{half, half + 1}) || early || len(singles) > bridge.Most {
			t.Errorf("%s: the check read %v, before the boot areas %t", name, singles, early)
		}
		if n := strings.Count(string(m.files["image.record"].now), "Bridge check: done"); n != 1 {
			t.Errorf("%s: the record says %d times that the check is done", name, n)
		}
		runSim(t, d, m, Options{CheckBridge: true, Looks: 1})
		if n := strings.Count(string(m.files["image.record"].now), "Bridge check: done"); n != 1 {
			t.Errorf("%s: checked again", name)
		}
	}
}
