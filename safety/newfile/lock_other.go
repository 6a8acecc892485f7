//go:build !unix && !windows

package newfile

import "os"

// Lock takes the file for this run until it is closed; here there is no lock.
func Lock(*os.File) error { return nil }
