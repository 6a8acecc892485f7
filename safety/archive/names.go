package archive

import (
	"fmt"
	"path"
	"strings"
	"unicode"

	"bootgraft/safety/newfile"
)

// Names gives every file of an archive a name of its own that any file system takes.
type Names struct{ taken map[string]bool }

// NewNames returns names of which those of the archive itself are taken.
func NewNames() *Names {
	n := &Names{map[string]bool{}}
	n.Take(HowName)
	n.Take(ContentsName)
	n.Take(newfile.Mark)
	return n
}

// mostName bounds a name in bytes: 255 is what Linux and FAT take, and a number and a
// suffix may be added.
const mostName = 200

// Take returns a name for a file in a folder of the archive. Names that differ only by
// case are one on some file systems.
func (n *Names) Take(name string) string {
	dir, base := path.Split(name)
	base = portable(base)
	ending := path.Ext(base)
	for i := 1; ; i++ {
		try := dir + base
		if i > 1 {
			try = fmt.Sprintf("%s%s-%d%s", dir, strings.TrimSuffix(base, ending), i, ending)
		}
		if key := strings.ToLower(try); !n.taken[key] {
			n.taken[key] = true
			return try
		}
	}
}

// portable replaces what FAT and other systems refuse in a name (Microsoft FAT
// specification 1.03, long names), and what would steer a terminal.
func portable(base string) string {
	base = strings.Map(func(r rune) rune {
		if r == unicode.ReplacementChar || !unicode.IsPrint(r) || strings.ContainsRune(`<>:"/\|?*`, r) {
			return '_'
		}
		return r
	}, strings.ToValidUTF8(base, "_"))
	base = strings.TrimRight(strings.TrimLeft(base, " "), " .")
	for len(base) > mostName { // its ending says what it is
		ending := path.Ext(base)
		if len(ending) > 16 {
			ending = ""
		}
		r := []rune(strings.TrimSuffix(base, ending))
		base = string(r[:len(r)-1]) + ending
	}
	if base == "" {
		return "_"
	}
	return base
}
