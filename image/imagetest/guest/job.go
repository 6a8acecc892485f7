// Package guest runs programs in a virtual machine with a real Linux kernel, for
// tests of what only a real kernel with real disk drivers does. The machine has no
// system: its first process is image/imagetest/guest/init.
package guest

// JobPath is where the machine finds what to do.
const JobPath = "/job"

// Job is what the first process of the machine is to do.
type Job struct {
	Modules []string   // files, in the order in which they are loaded
	Disks   int        // how many disks there will be
	Lines   [][]string // commands with their arguments
}

// Result is what came of a command.
type Result struct {
	Code           int
	Output, Errors string
}
