package geometry

import (
	"strings"
	"testing"

	"bootgraft/layout"
)

func shape(c, h, s int) layout.Geometry { return layout.Geometry{Cylinders: c, Heads: h, Sectors: s} }

// Who counts otherwise is named, and what that means; who counts alike is not. The
// numbers of a drive of more than 8.4 GB are those of ATA/ATAPI-6, section 6.2.1:
// 16383/16/63; 255 heads are what a PC with LBA-assist translation counts in.
func TestCompare(t *testing.T) {
	disk := func(table layout.Geometry, volumes ...layout.Geometry) *layout.Map {
		m := &layout.Map{Tables: []layout.Table{
			{Kind: "mbr", State: layout.InForce, Geometry: table}, {Kind: "sun", State: layout.Stale, Geometry: shape(1, 2, 3)}}}
		for i, g := range volumes {
			m.Volumes = append(m.Volumes, layout.Volume{Index: i + 1, Geometry: g})
		}
		return m
	}
	drive := Row{Who: Drive, Geometry: shape(16383, 16, 63)}
	machine := func(h int) Row { return Row{Who: Machine, Geometry: shape(1024, h, 63)} }
	for name, c := range map[string]struct {
		m      *layout.Map
		others []Row
		rows   int
		says   []string
		not    string
	}{
		"nobody counts":       {disk(layout.Geometry{}), nil, 0, nil, ""},
		"alone":               {disk(shape(0, 255, 63)), nil, 1, nil, ""},
		"alike":               {disk(shape(0, 255, 63), shape(0, 255, 63)), []Row{machine(255)}, 3, nil, ""},
		"translated":          {disk(shape(0, 255, 63), shape(0, 255, 63)), []Row{drive}, 3, []string{"The drive counts with 16 heads and 63 sectors, and the table with 255", "--machine-geometry"}, "The machine counts"},
		"volume apart":        {disk(shape(0, 255, 63), shape(0, 255, 63), shape(0, 16, 63)), nil, 3, []string{"volume 2 with 16 heads", "--machine-geometry"}, "volume 1"},
		"machine apart":       {disk(shape(0, 255, 63), shape(0, 255, 63)), []Row{machine(64), drive}, 4, []string{"The machine counts with 64 heads and 63 sectors, unlike the table (255 heads and 63 sectors), volume 1 (255"}, "--machine-geometry"},
		"bare volume":         {&layout.Map{Volumes: []layout.Volume{{Geometry: shape(0, 2, 32)}}}, []Row{machine(16)}, 2, []string{"the volume (2 heads and 32 sectors)"}, "volume 0"},
		"as it was told to":   {disk(shape(0, 16, 63)), []Row{drive, {Who: DriveNow, Geometry: shape(100, 8, 63)}}, 3, []string{"The drive counts with 8 heads", "--machine-geometry"}, "with 16 heads and 63 sectors, and the table"},
		"only the cylinders":  {disk(shape(1023, 255, 63)), []Row{machine(255)}, 2, nil, ""},
		"says nothing itself": {disk(shape(0, 255, 63), shape(0, 0, 63)), []Row{{Who: Machine}}, 1, nil, ""},
	} {
		v := Compare(c.m, c.others...)
		said := strings.Join(v.Says, "\n")
		if len(v.Rows) != c.rows || len(c.says) != len(v.Says) || c.not != "" && strings.Contains(said, c.not) {
			t.Errorf("%s: %d rows, and it is said:\n%s", name, len(v.Rows), said)
		}
		for _, want := range c.says {
			if !strings.Contains(said, want) {
				t.Errorf("%s: %q is missing in\n%s", name, want, said)
			}
		}
	}
}
