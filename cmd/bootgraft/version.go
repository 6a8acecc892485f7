package main

import (
	"runtime/debug"
	"sync"

	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
)

// build is what the Go tool noted in this program when it was built.
type build struct {
	version  string // of the module; empty if nobody gave it one
	commit   string // empty: it was built without knowing its repository
	date     string // of the commit, RFC 3339
	modified bool   // the source had changes that no commit holds
	goes     string // the version of Go
}

// thisBuild is what is known of the running program.
var thisBuild = sync.OnceValue(func() build {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return build{}
	}
	return buildOf(info)
})

// buildOf takes what counts out of what the Go tool noted.
func buildOf(info *debug.BuildInfo) build {
	b := build{goes: info.GoVersion}
	if v := info.Main.Version; v != "(devel)" {
		b.version = v
	}
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			b.commit = s.Value
		case "vcs.time":
			b.date = s.Value
		case "vcs.modified":
			b.modified = s.Value == "true"
		}
	}
	return b
}

// program is how the build is named in the files that it writes. It is the same
// for every run of it, so that a plan made twice is the same plan.
func (b build) program() string {
	name := "bootgraft"
	if b.version != "" {
		name += " " + b.version
	}
	switch {
	case b.commit == "":
		return name + " (built without a commit)"
	case b.modified:
		return name + " (changed after " + short(b.commit) + ")"
	}
	return name + " (" + short(b.commit) + ")"
}

// short is as much of a commit as tells it from all others of one project.
func short(commit string) string { return commit[:min(len(commit), 12)] }

// writtenBy names this program in the files that it writes.
func writtenBy() string { return thisBuild().program() }

func versionCommand(u *talk.UI) *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "which version this is, and from which source it was built",
		Args:  cobra.NoArgs,
		RunE:  func(*cobra.Command, []string) error { return showVersion(u, thisBuild()) },
	}
}

func showVersion(u *talk.UI, b build) error {
	u.Document(document.NewVersion(writtenBy(), b.version, b.commit, b.date, b.modified, b.goes))
	page.Version(u, b.version, b.commit, b.date, b.goes, b.modified)
	return nil
}
