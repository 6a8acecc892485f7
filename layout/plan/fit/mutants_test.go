package fit

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	rig "bootgraft/image/imagetest/need"
)

// mutant takes one safeguard out of a file of this package.
type mutant struct{ file, old, new string }

// mutants are the safeguards of the last step of planning, one by one.
var mutants = []mutant{
	{"resurvey.go", "{z.resurvey, z.proveCarried}", "{z.proveCarried}"},
	{"resurvey.go", "{z.resurvey, z.proveCarried}", "{z.resurvey}"},
	{"resurvey.go", "	if got.Table != p.s.Table {", "	if false {"},
	{"resurvey.go", "	p.sameEntries(got)\n", ""},
	{"resurvey.go", "	p.sameVolumes(got)\n", ""},
	{"resurvey.go", "	p.noNewRefusal(got)\n", ""},
	{"resurvey.go", "	if len(got.Entries) != len(p.s.Entries) {", "	if false {"},
	{"resurvey.go", " || g.Span != want || g.Type", " || g.Type"},
	{"resurvey.go", " || g.Type != e.Type", ""},
	{"resurvey.go", " || g.Active != e.Active", ""},
	{"resurvey.go", "	if g == nil || g.Span != want || g.Kind", "	if g == nil || g.Kind"},
	{"resurvey.go", " || g.ID != v.ID {", " {"},
	{"resurvey.go", " || g.Label != label ||", " || g.Label != label && false ||"},
	{"resurvey.go", "if known && len(got.Volumes)", "if known && false && len(got.Volumes)"},
	{"resurvey.go", "append(p.claims(), p.unclaimed()...)", "p.claims()"},
	{"resurvey.go", "append(p.claims(), p.unclaimed()...)", "p.unclaimed()"},
	{"resurvey.go", "			if err := p.proveVolume(c.index); err != nil {\n				return err\n			}\n", ""},
	{"resurvey.go", "q.Op == layout.Copy && q.From-q.Start == -h.by:", "q.Op == layout.Copy:"},
	{"resurvey.go", "q.Op == layout.Render && len(p.renewed.Outside(part)) == 0:", "q.Op == layout.Render:"},
	{"resurvey.go", "q.Op == layout.Zero && q.Why == layout.WhyMissing && p.missingAccepted(part):", "q.Op == layout.Zero:"},
	{"resurvey.go", "		case found.NonBlank > 0:\n", "		case false:\n"},
	{"resurvey.go", "found.Unread > 0 && !p.accepts(disk.NotKnownCut):", "false:"},
	{"resurvey.go", "{s.Common(tail), by}", "{disk.Span{}, by}"},
	{"resurvey.go", "		used.Start += span.Start\n", "		used = disk.Span{}\n"},
	{"rules.go", "	for _, f := range broken {", "	for _, f := range broken[:0] {"},
	{"rules.go", "		if e.End() > start && !e.NoVolume {", "		if false {"},
	{"claims.go", "	for _, c := range others {", "	for _, c := range others[:0] {"},
	{"placement.go", "smaller && e.End() > room && end < e.End():", "smaller && e.End() > room || end > e.End():"},
	{"volumes.go", "		p.ask(p.slackNotKnown(index))\n	}\n	return unread > 0 && !p.lets(disk.NotKnownCut)", "		p.refuse(p.slackNotKnown(index))\n	}\n	return unread > 0"},
	{"base.go", "if r.Sectors != p.open.resizable[index].Size() {", "if true {"},
	{"resurvey.go", "c.Span = disk.Between(p.s.Volume(c.index).End(), c.End())", "c.Span = disk.Span{}"},
	{"tailcopies.go", "	kept, moved, err := p.copyTouching()\n", "	kept, moved, err := disk.Span{}, t.Span, error(nil)\n"},
}

// Each safeguard that is taken out fails a test that is named for it. The
// mutants are compiled beside the code, which stays as it is. That their text
// still is in the code is looked at in every run: one that is not tries nothing.
func TestMutantsAreKilled(t *testing.T) {
	for _, m := range mutants {
		if code, err := os.ReadFile(m.file); err != nil || strings.Count(string(code), m.old) != 1 {
			t.Fatalf("%s does not hold %q once: %v", m.file, m.old, err)
		}
	}
	if !rig.Long() {
		t.Skip("the mutants run with BOOTGRAFT_LONG=1")
	}
	const tests = "TestLostSectors|TestACardThat|TestRulesThatCount|TestAVolumeWithSectors|TestLogicalPast|TestUnreadSlack|TestWhatLiesBehind|TestSlackOfAVolume|TestTailCopies"
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range mutants {
		path := filepath.Join(dir, m.file)
		code, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		made := filepath.Join(t.TempDir(), m.file)
		list := filepath.Join(filepath.Dir(made), "overlay.json")
		overlay, err := json.Marshal(map[string]map[string]string{"Replace": {path: made}})
		if err != nil {
			t.Fatal(err)
		}
		for name, b := range map[string][]byte{made: []byte(strings.Replace(string(code), m.old, m.new, 1)), list: overlay} {
			if err := os.WriteFile(name, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		out, err := exec.CommandContext(t.Context(), "go", "test", "-vet=off", "-overlay", list, "-run", tests, ".").CombinedOutput()
		switch {
		case err == nil:
			t.Errorf("%s without %q: no test fails", m.file, m.old)
		case strings.Contains(string(out), "[build failed]"):
			t.Errorf("%s without %q does not compile:\n%s", m.file, m.old, out)
		default:
			t.Logf("%s without %q: killed", m.file, m.old)
		}
	}
}
