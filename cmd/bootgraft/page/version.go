package page

import "bootgraft/cmd/bootgraft/talk"

// Version says which version of the program it is, as far as it knows.
func Version(u *talk.UI, version, commit, date, goes string, modified bool) {
	orNone := func(s, none string) string {
		if s == "" {
			return none
		}
		return s
	}
	commit = orNone(commit, "not known: it was built without one, as go run and go test do")
	if modified {
		commit += ", with changes that no commit holds"
	}
	u.Answerf("bootgraft %s\n", orNone(version, "without a version number"))
	u.Answerf("  commit  %s\n", commit)
	u.Answerf("  source  %s\n", orNone(date, "date not known"))
	u.Answerf("  Go      %s\n", orNone(goes, "not known"))
}
