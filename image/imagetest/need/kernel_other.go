//go:build !linux

package need

import "testing"

// Loop skips or fails the test: there are no loop devices here.
func Loop(t testing.TB, _ string, _ ...string) (node string) {
	t.Helper()
	Absent(t, "loop devices")
	return ""
}
