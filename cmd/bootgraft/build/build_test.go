package build

import (
	"runtime/debug"
	"testing"

	"bootgraft/image/disk"
)

// What the Go tool notes is documented in runtime/debug.BuildSetting.
func TestBuildIsNamed(t *testing.T) {
	revision := debug.BuildSetting{Key: "vcs.revision", Value: "0123456789abcdef0123456789abcdef01234567"}
	date := debug.BuildSetting{Key: "vcs.time", Value: "2026-01-02T03:04:05Z"}
	changed := debug.BuildSetting{Key: "vcs.modified", Value: "true"}
	for _, c := range []struct {
		version  string
		settings []debug.BuildSetting
		want     string
	}{
		{"(devel)", nil, "bootgraft (built without a commit)"},
		{"v1.2.3", nil, "bootgraft v1.2.3 (built without a commit)"},
		{"v1.2.3", []debug.BuildSetting{revision, date}, "bootgraft v1.2.3 (0123456789ab)"},
		{"(devel)", []debug.BuildSetting{revision, date, changed}, "bootgraft (changed after 0123456789ab)"},
	} {
		info := &debug.BuildInfo{GoVersion: "go1.26.0", Settings: c.settings}
		info.Main.Version = c.version
		b := of(info)
		if got := b.Program(); got != c.want {
			t.Errorf("%s %v: have %q, want %q", c.version, c.settings, got, c.want)
		}
		if err := disk.CheckWriter(b.Program()); err != nil {
			t.Error(err)
		}
		if b.Go != "go1.26.0" || (b.Date != "") != (len(c.settings) > 1) {
			t.Errorf("%+v", b)
		}
	}
}
