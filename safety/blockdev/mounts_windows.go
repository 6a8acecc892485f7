package blockdev

import "strings"

// unmountLine is what to type, as administrator, to end the mounts of a disk: /P also
// keeps Windows from mounting the volume again (mountvol /?). A volume that is mounted
// nowhere can only be left by whoever uses it.
func unmountLine(_ string, mounts []string) string {
	var lines []string
	for _, m := range mounts {
		if m = strings.TrimSuffix(m, `\`); strings.HasPrefix(m, `\\`) {
			continue
		}
		if strings.Contains(m, " ") {
			m = `"` + m + `"`
		}
		lines = append(lines, "mountvol "+m+" /P")
	}
	return strings.Join(append(lines, "close every program that uses it"), ", or ")
}
