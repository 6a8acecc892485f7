// Package build knows which build of the program runs, and how it is named in the
// files that it writes.
package build

import (
	"runtime/debug"
	"sync"
)

// Build is what the Go tool noted in a program when it was built.
type Build struct {
	Version  string // of the module; empty if nobody gave it one
	Commit   string // empty: it was built without knowing its repository
	Date     string // of the commit, RFC 3339
	Modified bool   // the source had changes that no commit holds
	Go       string // the version of Go
}

// This is what is known of the running program.
var This = sync.OnceValue(func() Build {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return Build{}
	}
	return of(info)
})

// Program names the running program in the files that it writes.
func Program() string { return This().Program() }

// of takes what counts out of what the Go tool noted.
func of(info *debug.BuildInfo) Build {
	b := Build{Go: info.GoVersion}
	if v := info.Main.Version; v != "(devel)" {
		b.Version = v
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.Commit = s.Value
		case "vcs.time":
			b.Date = s.Value
		case "vcs.modified":
			b.Modified = s.Value == "true"
		}
	}
	return b
}

// Program is how the build is named in the files that it writes. It is the same
// for every run of it, so that a plan made twice is the same plan.
func (b Build) Program() string {
	name := "bootgraft"
	if b.Version != "" {
		name += " " + b.Version
	}
	switch {
	case b.Commit == "":
		return name + " (built without a commit)"
	case b.Modified:
		return name + " (changed after " + short(b.Commit) + ")"
	}
	return name + " (" + short(b.Commit) + ")"
}

// short is as much of a commit as tells it from all others of one project.
func short(commit string) string { return commit[:min(len(commit), 12)] }
