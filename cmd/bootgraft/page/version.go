package page

import (
	"cmp"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/talk"
)

// Version says which version of the program it is, as far as it knows.
func Version(u *talk.UI, b build.Build) {
	commit := cmp.Or(b.Commit, "not known: it was built without one, as go run and go test do")
	if b.Modified {
		commit += ", with changes that no commit holds"
	}
	u.Answerf("bootgraft %s\n", cmp.Or(b.Version, "without a version number"))
	u.Answerf("  commit  %s\n", commit)
	u.Answerf("  source  %s\n", cmp.Or(b.Date, "date not known"))
	u.Answerf("  Go      %s\n", cmp.Or(b.Go, "not known"))
}
