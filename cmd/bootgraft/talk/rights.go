package talk

import (
	"os"
	"os/exec"
	"runtime"

	"bootgraft/cmd/bootgraft/words"
)

// Rights tells how a line gets the rights of root on this machine, and whether the process has
// them.
func Rights() (as func(line string) string, has bool) {
	there := func(program string) bool {
		_, err := exec.LookPath(program)
		return err == nil
	}
	return rights(runtime.GOOS, os.Geteuid(), os.Getenv, there), os.Geteuid() == 0
}

// rights tells how the user of a system types a line as root: as it is where they are root, or
// where rights come with the prompt, as on Windows; else with the program that they came by, with
// one that is there, or with su, which every Unix has. Who runs this program by sudo or doas
// types the next line without the rights of root again.
func rights(system string, user int, env func(string) string, there func(program string) bool) func(string) string {
	bare := func(line string) string { return line }
	before := func(program string) func(string) string {
		return func(line string) string { return program + " " + line }
	}
	switch {
	case system == "windows":
		return bare
	case env("SUDO_UID") != "":
		return before("sudo")
	case env("DOAS_USER") != "":
		return before("doas")
	case user == 0:
		return bare
	case there("sudo"):
		return before("sudo")
	case there("doas"):
		return before("doas")
	}
	return func(line string) string { return "su -c " + words.Verbatim(line) }
}
