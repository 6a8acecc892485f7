package input

import (
	"golang.org/x/text/encoding/charmap"

	"bootgraft/cmd/bootgraft/talk"
)

// codepages are those of FAT short names that are known here.
var codepages = map[int]*charmap.Charmap{
	437: charmap.CodePage437, 850: charmap.CodePage850, 852: charmap.CodePage852, 855: charmap.CodePage855,
	858: charmap.CodePage858, 860: charmap.CodePage860, 862: charmap.CodePage862, 863: charmap.CodePage863,
	865: charmap.CodePage865, 866: charmap.CodePage866, 1252: charmap.Windows1252,
}

// CodePage returns the codepage of a number.
func CodePage(number int) (*charmap.Charmap, error) {
	c := codepages[number]
	if c == nil {
		return nil, talk.Usagef("codepage %d is not known here; see bootgraft files --help", number)
	}
	return c, nil
}
