package talk

import (
	"runtime"
	"slices"
	"testing"
)

// TestRights: a line to type as root works for whoever reads it. That every Unix has su is POSIX's
// rationale for leaving it out, from memory; doas(1) sets DOAS_USER and sudo(8) SUDO_UID, by their
// manual pages.
func TestRights(t *testing.T) {
	for _, c := range []struct {
		name, system string
		user         int
		env, there   []string
		want         string
	}{
		{"root by login", "linux", 0, nil, []string{"sudo"}, "bootgraft card 'a b'"},
		{"root by sudo", "linux", 0, []string{"SUDO_UID"}, []string{"sudo", "doas"}, "sudo bootgraft card 'a b'"},
		{"root by doas", "linux", 0, []string{"DOAS_USER"}, []string{"sudo", "doas"}, "doas bootgraft card 'a b'"},
		{"a user", "linux", 1000, nil, []string{"doas", "sudo"}, "sudo bootgraft card 'a b'"},
		{"doas alone", "linux", 1000, nil, []string{"doas"}, "doas bootgraft card 'a b'"},
		{"neither", "linux", 1000, nil, nil, `su -c 'bootgraft card '\''a b'\'''`},
		{"macOS", "darwin", 501, nil, []string{"sudo"}, "sudo bootgraft card 'a b'"},
		{"Windows", "windows", -1, nil, []string{"sudo"}, "bootgraft card 'a b'"},
	} {
		has := func(list []string) func(string) bool {
			return func(s string) bool { return slices.Contains(list, s) }
		}
		env := func(name string) string {
			if has(c.env)(name) {
				return "1000"
			}
			return ""
		}
		if runtime.GOOS == "windows" && c.name == "neither" {
			continue // the quoting is that of the shell there
		}
		if got := rights(c.system, c.user, env, has(c.there))("bootgraft card 'a b'"); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}
