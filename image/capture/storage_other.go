//go:build !linux

package capture

// Elsewhere the free space is not known beforehand, a full disk is an error
// like any other, and a folder cannot be synced.

func freeBytes(string) int64 { return -1 }

func syncFolder(string) error { return nil }

func isNoSpace(error) bool { return false }

func isTooLarge(error) bool { return false }
