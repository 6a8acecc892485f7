package words

// asRoot puts before a line what gives it the rights of root; isRoot tells whether the program has
// them.
var (
	asRoot = func(line string) string { return "sudo " + line }
	isRoot = false
)

// SetRights says how a line gets the rights of root on this machine, and whether the program has
// them. It is for the beginning of the program, before any line to type is printed.
func SetRights(as func(line string) string, has bool) { asRoot, isRoot = as, has }

// AsRoot is a line for somebody with the rights to read a disk, and to write a card.
func AsRoot(line string) string { return asRoot(line) }

// AsNow is a line with the rights that the program has now: who got as far as here by them needs
// them again.
func AsNow(line string) string {
	if isRoot {
		return asRoot(line)
	}
	return line
}
