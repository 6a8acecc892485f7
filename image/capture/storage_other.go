//go:build !unix && !windows

package capture

// Elsewhere a full disk is an error like any other.

func isNoSpace(error) bool { return false }

func isTooLarge(error) bool { return false }
